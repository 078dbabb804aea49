"""Set-ups: found again by body and distance, and named when they are taped."""

from collections.abc import Collection, Iterable
from datetime import datetime

from shimwise.bench.typed_lengths import TypedLength
from shimwise.bench.typed_names import id_or_new
from shimwise.files.names import LONGEST_NAME
from shimwise.record.journal import Change
from shimwise.record.queries import evidence
from shimwise.record.tables.rows import BodyRow, SetupRow

SAME_MM = 1e-3
"""Distances that differ by less are one: the same length in another unit, or rounded by a document. [mm]"""


def is_same_mm(one_mm: float, other_mm: float) -> bool:
    """Return whether two taped distances are one, infinity too."""
    return one_mm == other_mm or abs(one_mm - other_mm) < SAME_MM


def setup_at(known: Iterable[SetupRow], *, body_id: str, distance: TypedLength) -> SetupRow | None:
    """Return the newest set-up of a body at a distance; None if there is none."""
    found = [
        setup for setup in known if setup.body_id == body_id and is_same_mm(setup.distance_mm, distance.mm)
    ]
    return max(found, key=lambda setup: setup.taped_at, default=None)


def new_setup(
    prep_id: str,
    body: BodyRow,
    distance: TypedLength,
    *,
    known: Collection[SetupRow],
    taped_by: str,
    taped_at: datetime,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    name: str = "",
    chart: str = "",
) -> SetupRow:
    """Return a set-up to be kept, with a name of its own: ``A-07 at 3'``, or ``A-07 at 3' (2)``."""
    wanted = name or f"{body.name} at {distance.text}"[: LONGEST_NAME - 6]
    taken = {setup.name.casefold() for setup in known if setup.id != id}
    number, own = 1, wanted
    while own.casefold() in taken:
        number += 1
        own = f"{wanted} ({number})"
    return SetupRow(
        id=id_or_new(id),
        prep_id=prep_id,
        body_id=body.id,
        name=own,
        distance_mm=distance.mm,
        distance_text=distance.text,
        chart=chart,
        taped_by=taped_by,
        taped_at=taped_at,
    )


def taped_setup(
    change: Change, prep_id: str, body: BodyRow, distance: TypedLength, *, known: Collection[SetupRow]
) -> SetupRow:
    """Return the set-up of a body at a distance; it is taped now where there is none."""
    found = setup_at(known, body_id=body.id, distance=distance)
    if found is not None:
        return found
    wanted = new_setup(prep_id, body, distance, known=known, taped_by=change.who, taped_at=change.at)
    return evidence.add_setup(change, wanted)
