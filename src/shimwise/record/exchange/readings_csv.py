"""A prep's readings as a readings file, for ``shimwise judge`` or a spreadsheet."""

import csv
import io
import math
from collections.abc import Iterable, Iterator, Mapping
from itertools import count

from sqlalchemy import Connection

from shimwise.errors import LengthError
from shimwise.files.columns import KNOWN
from shimwise.files.names import LONGEST_NAME, to_spreadsheet
from shimwise.inference.model.judged_names import judged_name
from shimwise.lengths import length_to_mm
from shimwise.record.names import name_key
from shimwise.record.queries import evidence, preps, units
from shimwise.record.tables.rows import BodyRow, LensRow, ReadingRow, SetupRow


def export_readings(connection: Connection, prep_id: str) -> str:
    """Return the readings that are judged, by eye and by picture, as CSV; those withdrawn are left out.

    Lengths are written as they were typed if that is the same to the last digit, else in millimetres. A unit
    as it was before an adjustment is a unit of its own, ``A-07 before adjustment 1``, so that whoever judges
    the file pools no two states; a longer name than the readings file takes is shortened for it.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    prep = preps.prep(connection, prep_id)
    bodies = units.units_by_id(connection, BodyRow, prep.body_ids)
    lenses = units.units_by_id(connection, LensRow, prep.lens_ids)
    setups = {row.id: row for row in evidence.setups(connection, prep_id)}
    file = io.StringIO(newline="")
    writer = csv.DictWriter(file, KNOWN, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(_cells(evidence.readings(connection, prep_id), bodies, lenses, setups))
    return file.getvalue()


def _cells(
    readings: list[ReadingRow],
    bodies: dict[str, BodyRow],
    lenses: dict[str, LensRow],
    setups: dict[str, SetupRow],
) -> Iterator[dict[str, str]]:
    kept = [row for row in readings if row.withdrawn_at is None]
    body_names = _state_names(bodies, [(row.body_id, row.body_epoch) for row in kept])
    lens_names = _state_names(lenses, [(row.lens_id, row.lens_epoch) for row in kept])
    for row in kept:
        lens, setup = lenses[row.lens_id], setups[row.setup_id]
        is_by_eye = row.landing_um is None
        yield {
            "body": body_names[row.body_id, row.body_epoch],
            "lens": lens_names[row.lens_id, row.lens_epoch],
            "focal_length_mm": _number(row.focal_mm),
            "f_number": _number(row.fnumber),
            "distance": _length(setup.distance_text, setup.distance_mm),
            "reading": _length(row.reading_text, row.reading_mm) if is_by_eye else "",
            "operator": row.operator,
            "setup": setup.name,
            "squeeze": _number(lens.squeeze) if lens.squeeze != 1.0 else "",
            "axis": row.axis,
            "principal_separation_mm": _number(lens.separation_mm),
            "stop": row.stop,
            "at": row.at_text,
            "note": to_spreadsheet(row.note),
            "focus_design": lens.focus_design,
            "temperature_c": _number(row.temperature_c),
            "landing_um": _number(row.landing_um),
            "landing_sd_um": _number(row.landing_sd_um),
            "setting": row.setting or "",
        }


def _state_names(
    units: Mapping[str, BodyRow] | Mapping[str, LensRow], states: Iterable[tuple[str, int]]
) -> dict[tuple[str, int], str]:
    """Name each state (unit and epoch) that was read, no two alike."""
    taken = {name_key(unit.name) for unit in units.values()}
    names: dict[tuple[str, int], str] = {}
    for unit_id, epoch in dict.fromkeys(states):
        unit = units[unit_id]
        if epoch == unit.epoch:
            names[unit_id, epoch] = unit.name
            continue
        name = next(
            free for free in _short_names(unit.name, epoch, unit.epoch) if name_key(free) not in taken
        )
        taken.add(name_key(name))
        names[unit_id, epoch] = name
    return names


def _short_names(name: str, epoch: int, current: int) -> Iterator[str]:
    """Yield the name of a past state, then others for it, none longer than a name may be."""
    past = judged_name("", epoch=epoch, current=current)
    for number in count(1):
        ending = past if number == 1 else f"{past} ({number})"
        yield name[: LONGEST_NAME - len(ending)].rstrip() + ending


def _number(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:.15g}" if float(f"{value:.15g}") == value else repr(value)


def _length(typed: str, mm: float) -> str:
    try:
        if length_to_mm(typed) == mm:
            return typed
    except LengthError:
        pass
    return "INF" if math.isinf(mm) else f"{_number(mm)} mm"
