"""A prep's readings as a readings file: what ``shimwise judge`` reads, and a spreadsheet."""

import csv
import io
import math
from collections.abc import Iterator

from sqlalchemy import Connection

from shimwise.errors import LengthError
from shimwise.lengths import length_to_mm
from shimwise.records.columns import KNOWN
from shimwise.records.store import evidence, preps, units
from shimwise.records.store.rows import BodyRow, LensRow, ReadingRow, SetupRow

__all__ = ["export_readings"]


def export_readings(connection: Connection, prep_id: str) -> str:
    """Give the readings that are judged as CSV, in their order; those withdrawn are left out.

    Lengths stand as they were typed where that says the same to the last digit, else in millimetres.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    prep = preps.prep(connection, prep_id)
    bodies = units.bodies_by_id(connection, prep.body_ids)
    lenses = units.lenses_by_id(connection, prep.lens_ids)
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
    for row in readings:
        if row.withdrawn_at is not None:
            continue
        lens, setup = lenses[row.lens_id], setups[row.setup_id]
        yield {
            "body": bodies[row.body_id].name,
            "lens": lens.name,
            "focal_length_mm": _number(row.focal_mm),
            "f_number": _number(row.fnumber),
            "distance": _length(setup.distance_text, setup.distance_mm),
            "reading": _length(row.reading_text, row.reading_mm),
            "operator": row.operator,
            "setup": setup.name,
            "squeeze": _number(lens.squeeze) if lens.squeeze != 1.0 else "",
            "axis": row.axis,
            "principal_separation_mm": "" if lens.separation_mm is None else _number(lens.separation_mm),
            "stop": row.stop,
            "at": row.at_text,
            "note": row.note,
            "focus_design": lens.focus_design,
        }


def _number(value: float) -> str:
    return f"{value:.15g}" if float(f"{value:.15g}") == value else repr(value)


def _length(typed: str, mm: float) -> str:
    try:
        if length_to_mm(typed) == mm:
            return typed
    except LengthError:
        pass
    return "INF" if math.isinf(mm) else f"{_number(mm)} mm"
