"""The house's list as CSV: one row for each unit, in and out; a wrong row is named by line and column.

Columns, in any order: ``kind,name`` (needed), ``serial,mount,focal_length_mm,f_number,set,squeeze``,
``focus_design,principal_separation_mm,near,scale,marks,pixel_pitch_um,circle_of_confusion_um``,
``tolerance_um,retired,note``. ``kind`` is body or lens. A zoom's focal lengths have spaces between. ``set``
names the sets that a lens travels in, ``marks`` its engraved distances from near to far, both with ``|``
between. An empty cell, or a column that is absent, leaves what is known as it is.
"""

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.bench.errors import InputError
from shimwise.bench.house.scale_marks import SEPARATOR, marks_text, typed_marks
from shimwise.bench.house.views import BodyFacts, LensFacts, ListRefusal
from shimwise.bench.typed_lengths import typed_distance
from shimwise.files.columns import Columns, find_separator, read_header
from shimwise.files.csv_fields import to_fnumber, to_focus_design, to_number, to_separation_mm, to_squeeze
from shimwise.files.csv_rows import filled_rows
from shimwise.files.decoding import decoded
from shimwise.files.errors import CellError, ReadingsFileError, shown
from shimwise.files.limits import FOCAL_MM, NumberRange
from shimwise.files.names import from_spreadsheet, to_spreadsheet
from shimwise.notices import Notice

MOST_ROWS = 10_000
_OF_BODY = ("pixel_pitch_um", "circle_of_confusion_um", "tolerance_um")
_OF_LENS = (
    "focal_length_mm",
    "f_number",
    "set",
    "squeeze",
    "focus_design",
    "principal_separation_mm",
    "near",
    "scale",
    "marks",
)
COLUMNS = (
    "kind",
    "name",
    "serial",
    "mount",
    *_OF_LENS,
    *_OF_BODY,
    "retired",
    "note",
)
_FILE = Columns(COLUMNS[:2], COLUMNS[2:])
FIELDS = {
    "focal_length_mm": "focal_lengths_mm",
    "f_number": "fnumber",
    "principal_separation_mm": "separation_mm",
    "near": "near_mm",
    "scale": "scale_unit",
    "marks": "marks_mm",
    "retired": "is_retired",
}
"""Names of the facts behind columns that are called otherwise."""
_KINDS = ("body", "lens")
_MICRONS = NumberRange(0.0, 1000.0, "µm")
_YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_BETWEEN_FOCAL = re.compile(r"(?<=\d)\s*[-–/]\s*|\s+")
_QUOTES_HINT = 'Close the quotes, and write an inch mark in them twice: "3\' 6""".'
_MM = re.compile(r"(?<=\d)\s*mm\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListRow:
    """One row: its line, the unit, its facts by their names, and the sets of a lens."""

    line: int
    kind: str
    name: str
    facts: Mapping[str, Any]
    sets: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ListFile:
    """The rows that can be read, those that cannot, and notices of the file."""

    rows: tuple[ListRow, ...]
    refused: tuple[ListRefusal, ...]
    notices: tuple[Notice, ...]


def read_list(data: bytes, *, name: str) -> ListFile:
    """Read a house's list.

    Raises
    ------
    InputError
        If the file as a whole cannot be read: no text, or a header without ``kind`` and ``name``.
    """
    try:
        text = decoded(data, name=name)
        separator = find_separator(text.text, _FILE)
        rows = list(filled_rows(text.text, separator, name, hint=_QUOTES_HINT))
        header = read_header(rows[0][1] if rows else [], _FILE, name=name, line=1)
    except ReadingsFileError as error:
        raise InputError(str(error), field="data") from error
    if len(rows) > MOST_ROWS + 1:
        raise InputError(
            f"{name} has {len(rows) - 1} rows; at most {MOST_ROWS} are taken at once.", field="data"
        )
    found, refused = [], []
    for line, cells in rows[1:]:
        try:
            found.append(_row(line, cells, header.places, decimal_comma=separator != ","))
        except CellError as error:
            refused.append(
                ListRefusal(
                    line=line,
                    column=error.column or "",
                    found=shown(error.found or ""),
                    reason=str(error),
                )
            )
    return ListFile(rows=tuple(found), refused=tuple(refused), notices=(*text.notices, *header.notices))


def list_text(
    units: Iterable[tuple[BodyFacts | LensFacts, Sequence[str]]],
) -> str:
    """Write a house's list as :func:`read_list` reads it; no cell acts as a formula in a spreadsheet.

    Parameters
    ----------
    units : iterable of facts and set names
        Sets of a lens; none of a body.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for facts, sets in units:
        kind = "body" if isinstance(facts, BodyFacts) else "lens"
        cells = {"kind": kind, "name": facts.name, "set": SEPARATOR.join(sets)}
        for column in COLUMNS:
            field = FIELDS.get(column, column)
            if column not in cells and hasattr(facts, field):
                cells[column] = _written(column, getattr(facts, field), facts)
        writer.writerow([cells.get(column, "") for column in COLUMNS])
    return out.getvalue()


def _written(column: str, value: Any, facts: BodyFacts | LensFacts) -> str:  # noqa: ANN401
    if value is None:
        return ""
    if column == "focal_length_mm":
        return " ".join(f"{focal_mm:g}" for focal_mm in value)
    if column == "retired":
        return "yes" if value else "no"
    if column in ("near", "marks") and isinstance(facts, LensFacts):
        return marks_text(value if column == "marks" else (value,), facts.scale_unit)
    if column == "note":
        return to_spreadsheet(value)
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def _row(line: int, cells: Sequence[str], places: Mapping[str, int], *, decimal_comma: bool) -> ListRow:
    typed = {
        column: cells[place].strip()
        for column, place in places.items()
        if place < len(cells) and cells[place].strip()
    }
    kind = typed.pop("kind", "").casefold()
    if kind not in _KINDS:
        raise CellError(
            "accepted is body or lens; sets come with the lenses that name them.", column="kind", found=kind
        )
    name = typed.pop("name", "")
    other = _OF_LENS if kind == "body" else _OF_BODY
    wrong = next((column for column in typed if column in other), None)
    if wrong is not None:
        raise CellError(
            f"a {kind} has none. Leave the cell empty, or correct the kind.", column=wrong, found=typed[wrong]
        )
    sets = tuple(part.strip() for part in typed.pop("set", "").split(SEPARATOR) if part.strip())
    facts = {
        FIELDS.get(column, column): _value(column, text, decimal_comma) for column, text in typed.items()
    }
    return ListRow(line=line, kind=kind, name=name, facts=facts, sets=sets)


def _value(column: str, text: str, decimal_comma: bool) -> Any:  # noqa: ANN401
    convert = _CONVERT.get(column)
    try:
        return text if convert is None else convert(text, decimal_comma)
    except (CellError, InputError) as error:
        reason = error.reason if isinstance(error, InputError) else str(error)
        raise CellError(reason, column=column, found=text) from error


def _focal_lengths(text: str, decimal_comma: bool) -> tuple[float, ...]:
    return tuple(
        to_number(part, FOCAL_MM, example="50, or 24 80", decimal_comma=decimal_comma)
        for part in _BETWEEN_FOCAL.split(_MM.sub("", text).strip())
    )


def _positive(text: str, decimal_comma: bool) -> float:
    return to_number(text, _MICRONS, example="20", decimal_comma=decimal_comma)


def _yes_no(text: str, decimal_comma: bool) -> bool:  # noqa: ARG001
    if text.casefold() not in _YES_NO:
        raise CellError("is not known; accepted is yes or no.")
    return _YES_NO[text.casefold()]


def _scale(text: str, decimal_comma: bool) -> str:  # noqa: ARG001
    plain = text.casefold().removesuffix(".")
    if plain not in {"ft", "feet", "m", "metric"}:
        raise CellError("is no unit of a scale; accepted is ft or m.")
    return "ft" if plain.startswith("f") else "m"


def _design(text: str, decimal_comma: bool) -> str:  # noqa: ARG001
    found = to_focus_design(text)
    return "" if found is None else found.value


_CONVERT: dict[str, Callable[[str, bool], Any]] = {
    "focal_length_mm": _focal_lengths,
    "f_number": lambda text, comma: to_fnumber(text, decimal_comma=comma),
    "squeeze": lambda text, comma: to_squeeze(text, decimal_comma=comma),
    "focus_design": _design,
    "principal_separation_mm": lambda text, comma: to_separation_mm(text, decimal_comma=comma),
    "near": lambda text, _: typed_distance(text).mm,
    "scale": _scale,
    "marks": lambda text, _: typed_marks(text),
    "pixel_pitch_um": _positive,
    "circle_of_confusion_um": _positive,
    "tolerance_um": _positive,
    "retired": _yes_no,
    "note": lambda text, _: from_spreadsheet(text),
}
