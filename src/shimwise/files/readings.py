"""The readings file: a CSV with a header, as a technician's spreadsheet or pad writes it, to readings.

The header names ``body,lens,focal_length_mm,f_number,distance,reading,operator,setup`` in any order, and may
name ``squeeze, axis, principal_separation_mm, stop, at, note, focus_design, temperature_c``, and
``landing_um, landing_sd_um, setting`` of a landing by picture, which has no reading; other columns are not
read, with a warning. Distances are written with their unit, or their column names it, as ``distance_mm``.
Fields are parted by commas, semicolons or tabs. A row whose reading is empty is still to be read. Either
every other row is read, or those that are wrong are listed, and none is read.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from shimwise.files.columns import READINGS, Header, find_separator, read_header
from shimwise.files.csv_rows import filled_rows
from shimwise.files.decoding import decoded
from shimwise.files.errors import CellError, ReadingsFileError, WrongRowsError, shown
from shimwise.files.kit import Kit
from shimwise.files.names import look_alike_key
from shimwise.files.opening import read_bytes
from shimwise.files.rows import FileRow, RowReader
from shimwise.inference.model.prep import MeasuredLanding, Reading
from shimwise.notices import Notice

Progress = Callable[[int, int], None]
"""Called from time to time with the lines read and the lines in the file. What it raises ends the reading."""
PROGRESS_EVERY = 1000
MOST_WRONG = 20
"""At most so many wrong rows are listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsFile:
    """The rows of a file in its order, and what a person should know of it.

    The judge numbers them in its own: the readings by eye, then the landings by picture.
    """

    rows: tuple[FileRow, ...]
    notices: tuple[Notice, ...]

    @property
    def readings(self) -> tuple[Reading, ...]:
        """The readings by eye."""
        by_eye = (row.reading for row in self.rows if row.picture is None)
        return tuple(
            one if one.row == number else replace(one, row=number) for number, one in enumerate(by_eye)
        )

    @property
    def landings(self) -> tuple[MeasuredLanding, ...]:
        """The landings by picture."""
        pictures = [row for row in self.rows if row.picture is not None]
        first = len(self.rows) - len(pictures)
        return tuple(row.landing(row=first + number) for number, row in enumerate(pictures))


def read_readings(
    path: str | Path, *, kit: Kit | None = None, unit: str | None = None, progress: Progress | None = None
) -> ReadingsFile:
    """Read a readings file.

    Parameters
    ----------
    path : str or Path
        The CSV file.
    kit : Kit, optional
        Which lenses are zooms, and the squeeze, focus design and separation that the rows leave out.
    unit : str, optional
        Unit of bare numbers in a column of lengths whose name carries none.
    progress : callable, optional
        Called with the lines read and the lines in the file, every thousand rows and at the end.

    Returns
    -------
    ReadingsFile
        At least one reading.

    Raises
    ------
    ReadingsFileError
        If the file cannot be opened or anything in it is not accepted: with line, column and text found; a
        WrongRowsError for several rows.
    """
    data = read_bytes(path, error=ReadingsFileError)
    return parse_readings(data, name=Path(path).name, kit=kit, unit=unit, progress=progress)


def parse_readings(
    data: bytes | str,
    *,
    name: str,
    kit: Kit | None = None,
    unit: str | None = None,
    progress: Progress | None = None,
) -> ReadingsFile:
    """Read the content of a readings file, as :func:`read_readings`; ``name`` is the file in messages.

    Raises
    ------
    ReadingsFileError
        As :func:`read_readings`.
    """
    file = decoded(data, name=name)
    separator = find_separator(file.text, READINGS)
    rows = filled_rows(file.text, separator, name)
    line, cells = next(rows, (1, [""]))
    if not any(cells):
        raise ReadingsFileError(
            "holds separators and nothing between them. The first line has to be the header; "
            "see docs/guide/files.md.",
            name=name,
        )
    header = read_header(cells, READINGS, name=name, line=line)
    lenses = {} if kit is None else kit.lenses
    units = {} if unit is None else dict.fromkeys(READINGS.lengths, unit)
    reader = RowReader(
        header.places, lenses=lenses, decimal_comma=separator != ",", units={**units, **header.units}
    )
    total = file.text.count("\n") + 1
    found, unread = _readings(_with_progress(rows, progress, total), header, reader, name=name)
    if unread and not found:
        raise ReadingsFileError(
            "has no reading yet: the column reading is empty in every row. Fill it as you read.",
            name=name,
        )
    if not found:
        raise ReadingsFileError(
            "has a header but no reading. Write one line for each reading below it.", name=name, line=line
        )
    if progress is not None:
        progress(total, total)
    not_read = [Notice("rows_not_read", numbers={"count": unread})] if unread else []
    notices = (*file.notices, *header.notices, *not_read, *_look_alikes(found, kit or Kit()))
    return ReadingsFile(rows=found, notices=notices)


def _with_progress(
    rows: Iterable[tuple[int, list[str]]], progress: Progress | None, total: int
) -> Iterator[tuple[int, list[str]]]:
    for count, row in enumerate(rows, start=1):
        if progress is not None and count % PROGRESS_EVERY == 0:
            progress(min(row[0], total), total)
        yield row


def _readings(
    rows: Iterable[tuple[int, list[str]]], header: Header, reader: RowReader, *, name: str
) -> tuple[tuple[FileRow, ...], int]:
    """Return the rows that are read, and the number of those that are not read yet.

    Raises
    ------
    ReadingsFileError
        With all rows that are wrong, up to twenty.
    """
    found: list[FileRow] = []
    wrong: list[ReadingsFileError] = []
    unread, rest = 0, iter(rows)
    while len(wrong) <= MOST_WRONG:
        try:
            line, cells = next(rest)
            _refuse_width(cells, header.width, name=name, line=line)
            if reader.is_unread(cells):
                unread += 1
            else:
                found.append(_row(reader, cells, number=len(found), line=line, name=name))
        except StopIteration:
            break
        except ReadingsFileError as error:
            wrong.append(error)
    if len(wrong) == 1:
        raise wrong[0]
    if wrong:
        raise WrongRowsError(wrong[:MOST_WRONG], are_all=len(wrong) <= MOST_WRONG)
    return tuple(found), unread


def _row(reader: RowReader, cells: list[str], *, number: int, line: int, name: str) -> FileRow:
    try:
        return reader.read(cells, number=number, line=line)
    except CellError as error:
        raise ReadingsFileError(
            str(error), name=name, line=line, column=error.column, found=error.found
        ) from error


def _refuse_width(cells: list[str], width: int, *, name: str, line: int) -> None:
    """Refuse a row of the wrong count of fields; empty ones past the header are a spreadsheet's habit."""
    if len(cells) == width or (len(cells) > width and not any(cell.strip() for cell in cells[width:])):
        return
    found = shown(" | ".join(cells))
    raise ReadingsFileError(
        f"has {len(cells)} fields where the header has {width}: {found}. A field that holds the "
        "separator has to stand in double quotes; decimal commas need ; between the fields.",
        name=name,
        line=line,
        found=found,
    )


def _look_alikes(rows: tuple[FileRow, ...], kit: Kit) -> Iterator[Notice]:
    """Warn of names that look alike: the judge takes them for different units."""
    for kind, names in (
        ("Bodies", {row.reading.body for row in rows} | set(kit.bodies)),
        ("Lenses", {row.reading.lens for row in rows} | set(kit.lenses)),
        ("Operators", {row.reading.operator for row in rows}),
    ):
        alike: dict[str, list[str]] = {}
        for unit in sorted(names):
            alike.setdefault(look_alike_key(unit), []).append(unit)
        for group in alike.values():
            if len(group) > 1:
                yield Notice("names_alike", " and ".join(group), {"kind": kind})
