"""The header of a CSV that people write: which columns there are, where, and how fields are parted."""

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from shimwise.files.errors import ReadingsFileError, shown
from shimwise.lengths import SHORT_UNITS
from shimwise.notices import Notice


class Columns(NamedTuple):
    """The columns of a kind of file: those its header has to name, and those it may name.

    A header may name the unit of a column of ``lengths``, as ``distance_mm``.
    """

    required: tuple[str, ...]
    optional: tuple[str, ...]
    lengths: tuple[str, ...] = ()

    @property
    def known(self) -> tuple[str, ...]:
        """All of them."""
        return (*self.required, *self.optional)


REQUIRED = ("body", "lens", "focal_length_mm", "f_number", "distance", "reading", "operator", "setup")
OPTIONAL = (
    "squeeze",
    "axis",
    "principal_separation_mm",
    "stop",
    "at",
    "note",
    "focus_design",
    "temperature_c",
    "landing_um",
    "landing_sd_um",
    "setting",
)
BY_PICTURE = frozenset({"landing_um", "landing_sd_um"})
"""Columns of a landing by picture: a file that has both needs no column of readings, nor of who looked."""
BY_EYE = frozenset({"reading", "operator"})
KNOWN = (*REQUIRED, *OPTIONAL)
READINGS = Columns(REQUIRED, OPTIONAL, lengths=("distance", "reading"))
_OTHER_NAMES = {"set_up": "setup"}
SEPARATORS = (",", ";", "\t")
MOST_COLUMNS = 200
"""A header of more columns is none."""
_HEADER_CHARACTERS = 10_000
_LINE_END = re.compile(r"[\r\n]")
_NOT_WORD = re.compile(r"[\W_]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """Place of each known column, the count of fields a row has, and columns that are not read.

    ``units``: of the columns whose names carry one.
    """

    places: Mapping[str, int]
    units: Mapping[str, str]
    width: int
    notices: tuple[Notice, ...]


def find_separator(text: str, columns: Columns) -> str:
    """Return the separator with which the first line names the most known columns."""
    first = _LINE_END.split(text.lstrip()[:_HEADER_CHARACTERS], maxsplit=1)[0]

    def known(separator: str) -> int:
        names = (name.strip().strip('"') for name in first.split(separator))
        return sum(_known_column(name, columns)[0] in columns.known for name in names)

    return max(SEPARATORS, key=known)


def read_header(cells: Sequence[str], columns: Columns, *, name: str, line: int) -> Header:
    """Return the places of the header's names, in any order, case and spacing.

    Raises
    ------
    ReadingsFileError
        If required columns are missing (all are named) or a column is there twice.
    """
    if len(cells) > MOST_COLUMNS:
        raise ReadingsFileError(
            f"has {len(cells)} fields; the first line has to be the header, of at most {MOST_COLUMNS}.",
            name=name,
            line=line,
        )
    found = [_known_column(cell, columns) for cell in cells]
    names = [column for column, _ in found]
    while names and not names[-1]:
        names.pop()
    places: dict[str, int] = {}
    for place, column in enumerate(names):
        if column not in columns.known:
            continue
        if column in places:
            raise ReadingsFileError(
                f"stands in the header twice, in place {places[column] + 1} and {place + 1}. Keep one.",
                name=name,
                line=line,
                column=column,
                found=cells[place],
            )
        places[column] = place
    _refuse_missing(places, columns, cells, name=name, line=line)
    units = {column: unit for column, unit in found if unit and column in places}
    notices = tuple(_not_read(names, columns, cells, places))
    return Header(places=places, units=units, width=len(names), notices=notices)


def plain_column(cell: str) -> str:
    """Return a column's name without case, spacing and signs."""
    return _NOT_WORD.sub("_", cell.strip().casefold()).strip("_")


def _known_column(cell: str, columns: Columns) -> tuple[str, str]:
    """Return the name of a column, and the unit that it carries (empty for none)."""
    plain = plain_column(cell)
    column = _OTHER_NAMES.get(plain, plain)
    length, _, unit = column.rpartition("_")
    return (length, unit) if length in columns.lengths and unit in SHORT_UNITS else (column, "")


def _refuse_missing(
    places: Mapping[str, int], columns: Columns, cells: Sequence[str], *, name: str, line: int
) -> None:
    spared = BY_EYE if places.keys() >= BY_PICTURE else frozenset()
    missing = [column for column in columns.required if column not in places and column not in spared]
    if not missing:
        return
    found = shown(", ".join(cell.strip() for cell in cells))
    missed = f"columns {', '.join(missing)} are" if len(missing) > 1 else f"column {missing[0]} is"
    raise ReadingsFileError(
        f"the {missed} missing. Found is: {found}. The header has to name "
        f"{', '.join(columns.required)}; {', '.join(columns.optional)} may follow.",
        name=name,
        line=line,
        found=found,
    )


def _not_read(
    names: Sequence[str], columns: Columns, cells: Sequence[str], places: Mapping[str, int]
) -> Iterator[Notice]:
    free = [known for known in columns.known if known not in places]
    for place, column in enumerate(names):
        if column not in columns.known:
            near = difflib.get_close_matches(column, free, n=1)
            numbers = {"place": place + 1, "near": near[0] if near else None}
            yield Notice("column_not_read", shown(cells[place].strip()) if column else "", numbers)
