"""Whether the rows of one prep agree with each other, checked before a prep of another record is kept."""

# ruff: noqa: ANN401 - rows are of several kinds

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from shimwise.record.exchange.row_json import ExchangeError
from shimwise.record.tables.rows import LensRow, PrepRow, UnitRow, VerdictRow

AXES = frozenset({"", "vertical", "horizontal"})
_ABOVE_ZERO = ("focal_mm", "fnumber", "reading_mm", "distance_mm")
_MAY_BE_INFINITE = frozenset({"reading_mm", "distance_mm"})


def refuse_incoherent(prep: PrepRow, units: Mapping[str, UnitRow], rows: Mapping[str, Sequence[Any]]) -> None:
    """Refuse what no prep can be; once kept, it could never be deleted.

    Parameters
    ----------
    prep : PrepRow
        The prep.
    units : mapping of str to row
        Its bodies and lenses, and those of its set, by id.
    rows : mapping of str to sequence of rows
        What it holds, by the names of the document: ``setups``, ``readings``, and so on.

    Raises
    ------
    ExchangeError
        If they disagree, with what is wrong and where.
    """
    wrong = next(_wrongs(prep, units, rows), None)
    if wrong is not None:
        raise ExchangeError(f"{wrong}, which no prep can hold. Export it again from where it was made.")


def _wrongs(prep: PrepRow, units: Mapping[str, UnitRow], rows: Mapping[str, Sequence[Any]]) -> Iterator[str]:
    yield from _of_lenses(units)
    for unit_id, by in (prep.epoch_shifts or {}).items():
        if unit_id not in units or type(by) is not int or not 0 <= by <= units[unit_id].epoch:
            yield f"the prep shifts epochs of {unit_id} by {by}"
    for name in ("setups", "readings"):
        for row in rows[name]:
            yield from (f"{name} hold {row.id}, whose {wrong}" for wrong in _of_numbers(row))
    yield from _of_places(prep, rows)
    yield from _of_counts(prep, rows)
    for row in rows["verdicts"]:
        yield from (f"verdicts hold {row.id}, whose document {wrong}" for wrong in _of_document(row))
    for row in rows["adjustments"]:
        if not 0 <= row.epoch_before < row.epoch_after:
            yield f"adjustments hold {row.id}, from epoch {row.epoch_before} to {row.epoch_after}"
        unit = units.get(row.unit_id)
        if unit is not None and row.epoch_after > unit.epoch:
            yield f"{unit.name} is in epoch {unit.epoch}, and was adjusted into epoch {row.epoch_after}"


def _of_lenses(units: Mapping[str, UnitRow]) -> Iterator[str]:
    for row in units.values():
        if row.epoch < 0:
            yield f"{row.name} is in epoch {row.epoch}"
        if isinstance(row, LensRow):
            focals = row.focal_lengths_mm
            if not focals or not all(_is_above_zero(focal) for focal in focals):
                yield f"lenses hold {row.id}, whose focal_lengths_mm are {list(focals)}"
            if not _is_above_zero(row.squeeze):
                yield f"lenses hold {row.id}, whose squeeze is {row.squeeze:g}"
            if any(len(line) != len(("distance", "f", "H")) for line in row.by_distance):
                yield f"lenses hold {row.id}, whose by_distance has rows of another length than 3"
            marks_mm = row.marks_mm or ()
            if list(marks_mm) != sorted(set(marks_mm)) or any(mark_mm <= 0 for mark_mm in marks_mm):
                yield f"lenses hold {row.id}, whose marks_mm do not rise from near to far"


def _of_numbers(row: Any) -> Iterator[str]:
    for name in _ABOVE_ZERO:
        value = getattr(row, name, 1.0)
        if not (_is_above_zero(value) or (name in _MAY_BE_INFINITE and value == math.inf)):
            yield f"{name} is {value:g}"
    axis = getattr(row, "axis", "")
    if axis not in AXES:
        yield f"axis is [{axis}]"
    landing_um, sd_um = getattr(row, "landing_um", None), getattr(row, "landing_sd_um", None)
    is_whole = landing_um is not None and math.isfinite(landing_um) and _is_above_zero(sd_um)
    if not is_whole and (landing_um, sd_um) != (None, None):
        yield f"landing by picture is {landing_um} with {sd_um}"


def _of_places(prep: PrepRow, rows: Mapping[str, Sequence[Any]]) -> Iterator[str]:
    bodies = {setup.id: setup.body_id for setup in rows["setups"]}
    for name in ("readings", "sweeps"):
        for row in rows[name]:
            if row.body_id not in prep.body_ids or row.lens_id not in prep.lens_ids:
                yield f"{name} hold {row.id}, of a unit that the prep does not name"
            if row.setup_id is not None and bodies.get(row.setup_id) != row.body_id:
                yield f"{name} hold {row.id}, on a set-up that is not of its body"


def _of_counts(prep: PrepRow, rows: Mapping[str, Sequence[Any]]) -> Iterator[str]:
    numbers = sorted(row.seq for row in rows["readings"])
    if numbers != list(range(1, len(numbers) + 1)):
        yield f"readings are {len(numbers)}, and not numbered from 1 to {len(numbers)}"
    judged = max((row.revision for row in (*rows["verdicts"], *rows["sign_offs"])), default=0)
    if not 0 <= judged <= prep.revision:
        yield f"the prep is at revision {prep.revision}, and was judged or signed at {judged}"


def _of_document(row: VerdictRow) -> Iterator[str]:
    if not isinstance(row.document, Mapping) or "schema" not in row.document:
        yield "is of no known kind"
        return
    for kind in ("bodies", "lenses"):
        lines = row.document.get(kind, [])
        if not isinstance(lines, list) or not all(_is_line(line) for line in lines):
            yield f"has lines on its {kind} that no verdict has"


def _is_line(line: Any) -> bool:
    return isinstance(line, Mapping) and all(isinstance(line.get(name), str) for name in ("name", "verdict"))


def _is_above_zero(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0.0 < value < math.inf
