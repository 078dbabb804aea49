"""After a move: what has to be read again until it suffices, and before and after side by side.

At least two lenses and two distances see a body again (two distances, of a lens); more while its verdict is
not decided, by the same planning that says what to read next.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from shimwise.bench.house.unit_knowledge import judged_name
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.prep.verdict_views import distance_words
from shimwise.bench.sign.views import BeforeAfter, RecheckReading, RecheckView
from shimwise.record.queries import verdicts

if TYPE_CHECKING:
    from shimwise.record import Connection, Record
    from shimwise.record.tables.rows import AdjustmentRow, BodyRow, LensRow, ReadingRow, SweepRow, VerdictRow

    _Seen: TypeAlias = ReadingRow | SweepRow

__all__ = ["DECIDED", "before_after", "change_of", "line_of", "recheck", "rechecks_in"]

LEAST_LENSES, LEAST_DISTANCES = 2, 2
DECIDED = ("in_tolerance", "out_short", "out_deep")
"""Verdicts that decide a unit."""
MOST_ASKED = 4
"""A unit's next readings are told a few at a time: each of them changes what is best after it."""
USUAL_MM = (914.4, 1828.8)
"""Offered where a body is not taped twice: 3 and 6 ft. Common practice, no source."""


def recheck(record: "Record", prep_id: str) -> tuple[RecheckView, ...]:
    """Give for each unit that was adjusted in a prep what is still to be read.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    with record.reading() as connection:
        return rechecks_in(connection, material_of(connection, prep_id))


def rechecks_in(connection: "Connection", material: PrepMaterial) -> tuple[RecheckView, ...]:
    """Give the re-checks of one look at a prep; of a unit adjusted twice, that of its last adjustment."""
    rows = verdicts.adjustments(connection, material.prep.id)
    latest = verdicts.latest_verdict(connection, material.prep.id)
    last = {row.unit_id: row for row in sorted(rows, key=lambda row: row.epoch_after)}
    return tuple(_recheck(material, row, latest) for row in last.values())


def before_after(record: "Record", prep_id: str) -> tuple[BeforeAfter, ...]:
    """Give for each adjustment of a prep, oldest first, the unit before and after it.

    What is after is told by a verdict of the prep as it stands; until then it is not judged yet.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        rows = verdicts.adjustments(connection, prep_id)
        latest = verdicts.latest_verdict(connection, prep_id)
    return tuple(_before_after(material, row, latest, _epoch_at(material, row, rows, latest)) for row in rows)


@dataclass(frozen=True, slots=True)
class Change:
    """How far a unit moved, as readings with the same other units tell it. [µm, + away from the flange]"""

    mean_um: float
    sd_um: float


def change_of(document: Mapping[str, Any], *, kind: str, before: str, after: str) -> Change | None:
    """Compare the landings of one unit in two epochs, each other unit with itself; None without a pair.

    Parameters
    ----------
    document : mapping
        A verdict that holds readings of both epochs.
    kind : str
        ``body`` or ``lens``.
    before, after : str
        The unit's names in the document.
    """
    pairs = [
        (second[0] - first[0], first[1] + second[1])
        for first, second in _pooled_pairs(document, kind=kind, before=before, after=after)
    ]
    if not pairs:
        return None
    precision = sum(1 / variance for _, variance in pairs)
    mean = sum(difference / variance for difference, variance in pairs) / precision
    return Change(mean_um=mean, sd_um=precision**-0.5)


def line_of(document: Mapping[str, Any] | None, *, kind: str, name: str) -> Mapping[str, Any] | None:
    """Find what a verdict says of a unit, as it is or as it was, by the name the judge was given."""
    if document is None:
        return None
    place = "bodies" if kind == "body" else "lenses"
    lines = (*document[place], *document.get("past", {}).get(place, ()))
    return next((line for line in lines if line["name"] == name), None)


def name_in(document: Mapping[str, Any] | None, *, kind: str, name: str, epoch: int) -> str:
    """Name a unit's epoch as a document has it: the plain name, where the unit was never adjusted after."""
    old = judged_name(name, epoch=epoch, current=epoch + 1)
    return name if line_of(document, kind=kind, name=old) is None else old


_Pooled = tuple[float, float]
"""Mean landing and its variance. [µm, µm²]"""


def _pooled_pairs(
    document: Mapping[str, Any], *, kind: str, before: str, after: str
) -> Iterator[tuple[_Pooled, _Pooled]]:
    other = "lens" if kind == "body" else "body"
    taken: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for reading in document["readings"]:
        landing, sd, weight = (reading.get(key) for key in ("landing_um", "sd_um", "weight"))
        if landing is None or not sd or not weight:
            continue
        taken.setdefault((reading.get(kind, ""), reading.get(other, "")), []).append(
            (landing, weight / sd**2)
        )
    pooled = {key: _pool(values) for key, values in taken.items()}
    for unit, partner in pooled:
        if unit == before and (after, partner) in pooled:
            yield pooled[before, partner], pooled[after, partner]


def _pool(values: Sequence[tuple[float, float]]) -> _Pooled:
    precision = sum(weight for _, weight in values)
    return sum(landing * weight for landing, weight in values) / precision, 1 / precision


def _epoch_at(
    material: PrepMaterial,
    row: "AdjustmentRow",
    rows: Iterable["AdjustmentRow"],
    latest: "VerdictRow | None",
) -> int:
    """Epoch that a unit was in when the verdict was given, which may have been before the move."""
    later = [
        one.epoch_before
        for one in rows
        if one.unit_id == row.unit_id and latest is not None and one.made_at > latest.given_at
    ]
    return min(later, default=_unit(material, row).epoch)


def _is_current(material: PrepMaterial, latest: "VerdictRow | None") -> bool:
    return latest is not None and (
        latest.revision == material.prep.revision or material.prep.state == "signed"
    )


def _before_after(
    material: PrepMaterial, row: "AdjustmentRow", latest: "VerdictRow | None", epoch_then: int
) -> BeforeAfter:
    unit = _unit(material, row)
    document = None if latest is None else latest.document
    old, new = (
        judged_name(unit.name, epoch=epoch, current=epoch_then)
        for epoch in (row.epoch_before, row.epoch_after)
    )
    before = line_of(document, kind=row.unit_kind, name=old)
    is_judged = _is_current(material, latest)
    after = line_of(document, kind=row.unit_kind, name=new) if is_judged else None
    change = None
    if is_judged and document is not None:
        change = change_of(document, kind=row.unit_kind, before=old, after=new)
    said = before or {}, after or {}
    return BeforeAfter(
        adjustment_id=row.id,
        unit_id=row.unit_id,
        kind=row.unit_kind,
        name=unit.name,
        made_by=row.made_by,
        made_at=row.made_at,
        action=row.action,
        amount_um=row.amount_um,
        amount_sd_um=row.amount_sd_um,
        turns=row.turns,
        before_um=said[0].get("error_um"),
        before_sd_um=said[0].get("sd_um"),
        after_um=said[1].get("error_um"),
        after_sd_um=said[1].get("sd_um"),
        after_verdict=said[1].get("verdict") or "not_checked",
        is_judged=is_judged,
        change_um=None if change is None else change.mean_um,
        change_sd_um=None if change is None else change.sd_um,
        words=f"{unit.name}: {_told(before)} before, "
        + (f"{_told(after)} after" if is_judged else "after it not judged yet")
        + ("." if change is None else f"; it moved by {change.mean_um:+.1f} ± {2 * change.sd_um:.1f} µm."),
    )


def _told(line: Mapping[str, Any] | None) -> str:
    if line is None or line.get("error_um") is None or line.get("sd_um") is None:
        return "not known"
    return f"{line['error_um']:+.1f} ± {2 * line['sd_um']:.1f} µm"


def _unit(material: PrepMaterial, row: "AdjustmentRow") -> "BodyRow | LensRow":
    return material.bodies[row.unit_id] if row.unit_kind == "body" else material.lenses[row.unit_id]


def _recheck(material: PrepMaterial, row: "AdjustmentRow", latest: "VerdictRow | None") -> RecheckView:
    unit, is_body = _unit(material, row), row.unit_kind == "body"
    since = [one for one in _standing(material) if _is_since(one, row)]
    partners = {one.lens_id if is_body else one.body_id for one in since}
    distances = {_distance_mm(material, one) for one in since}
    lacks_partners = is_body and len(partners) < min(LEAST_LENSES, len(material.lenses))
    is_read = not lacks_partners and len(distances) >= LEAST_DISTANCES
    is_current = _is_current(material, latest)
    line = line_of(None if latest is None else latest.document, kind=row.unit_kind, name=unit.name)
    is_decided = line is not None and line["verdict"] in DECIDED
    is_done = is_read and is_decided and is_current
    asked: tuple[RecheckReading, ...] = ()
    if not is_read:
        asked = tuple(_least(material, row, since))
    elif not is_done and is_current and latest is not None:
        asked = tuple(_more(material, row, latest.document))[:MOST_ASKED]
    return RecheckView(
        unit_id=unit.id,
        kind=row.unit_kind,
        name=unit.name,
        adjustment_id=row.id,
        reading_count=len(since),
        other_count=len(partners),
        distance_count=len(distances),
        is_read=is_read,
        is_done=is_done,
        words=_words(unit.name, row.unit_kind, is_read=is_read, is_done=is_done, is_current=is_current),
        readings=asked,
    )


def _words(name: str, kind: str, *, is_read: bool, is_done: bool, is_current: bool) -> str:
    if is_done:
        return f"{name} was checked again after its adjustment."
    if not is_read:
        needed = f"at least {LEAST_LENSES} lenses and {LEAST_DISTANCES} distances"
        if kind == "lens":
            needed = f"at least {LEAST_DISTANCES} distances"
        return f"{name} has to be read again after its adjustment: {needed}."
    if not is_current:
        return f"{name} was read again; the verdict on it is still to come."
    return f"{name} was read again, but its verdict is not decided yet: read on."


def _standing(material: PrepMaterial) -> Iterator["_Seen"]:
    """Give what was seen and stands: readings by eye, and sweeps that landed."""
    yield from (row for row in material.readings if row.withdrawn_at is None)
    yield from (row for row in material.sweeps if row.withdrawn_at is None and row.landing_um is not None)


def _distance_mm(material: PrepMaterial, seen: "_Seen") -> float:
    """Distance of what was seen [mm]; a sweep without a set-up stands at infinity."""
    setup = material.setups.get(seen.setup_id or "")
    return math.inf if setup is None else setup.distance_mm


def _is_since(reading: "_Seen", row: "AdjustmentRow") -> bool:
    if row.unit_kind == "body":
        return reading.body_id == row.unit_id and reading.body_epoch >= row.epoch_after
    return reading.lens_id == row.unit_id and reading.lens_epoch >= row.epoch_after


def _least(
    material: PrepMaterial, row: "AdjustmentRow", since: Iterable["_Seen"]
) -> Iterator[RecheckReading]:
    """Give the readings that are lacking to the least: partners and distances read before the move first."""
    since = list(since)
    seen = {(one.body_id, one.lens_id, _distance_mm(material, one)) for one in since}
    for body_id in _bodies_for(material, row):
        lens_ids = _lenses_for(material, row)
        distances = _distances(material, body_id)
        corners = [(lens_id, distance) for lens_id in lens_ids[:LEAST_LENSES] for distance in distances]
        for lens_id, distance in corners:
            if (body_id, lens_id, distance) not in seen:
                yield _asked(material, body_id, lens_id, distance)


def _bodies_for(material: PrepMaterial, row: "AdjustmentRow") -> list[str]:
    if row.unit_kind == "body":
        return [row.unit_id]
    read = [one.body_id for one in _standing(material) if one.lens_id == row.unit_id]
    return [*dict.fromkeys((*read, *material.bodies))][:1]


def _lenses_for(material: PrepMaterial, row: "AdjustmentRow") -> list[str]:
    if row.unit_kind == "lens":
        return [row.unit_id]
    read = [one.lens_id for one in _standing(material) if one.body_id == row.unit_id]
    return [*dict.fromkeys((*read, *material.lenses))]


def _distances(material: PrepMaterial, body_id: str) -> list[float]:
    """Give two distances: taped ones first, else usual ones."""
    taped = [one.distance_mm for one in material.setups.values() if one.body_id == body_id]
    return sorted([*dict.fromkeys((*sorted(taped), *USUAL_MM))][:LEAST_DISTANCES])


def _more(
    material: PrepMaterial, row: "AdjustmentRow", document: Mapping[str, Any]
) -> Iterator[RecheckReading]:
    """Give those of the verdict's next readings that speak of the unit; all of them, where none does."""
    bodies = {body.name: body.id for body in material.bodies.values()}
    lenses = {lens.name: lens.id for lens in material.lenses.values()}
    known = [one for one in document["next"] if one["body"] in bodies and one["lens"] in lenses]
    own = [one for one in known if row.unit_id in (bodies[one["body"]], lenses[one["lens"]])]
    for one in own or known:
        distance = one["distance_mm"]
        yield _asked(
            material,
            bodies[one["body"]],
            lenses[one["lens"]],
            math.inf if distance is None else float(distance),
        )


def _asked(material: PrepMaterial, body_id: str, lens_id: str, distance_mm: float) -> RecheckReading:
    body, lens = material.bodies[body_id], material.lenses[lens_id]
    setup = next(
        (
            one
            for one in material.setups.values()
            if one.body_id == body_id
            and (one.distance_mm == distance_mm or abs(one.distance_mm - distance_mm) < 1e-3)
        ),
        None,
    )
    text = distance_words(material.house.units)(distance_mm) if setup is None else setup.distance_text
    return RecheckReading(
        body_id=body_id,
        body=body.name,
        lens_id=lens_id,
        lens=lens.name,
        distance_mm=distance_mm,
        distance_text=text,
        setup_id="" if setup is None else setup.id,
        words=f"Read {lens.name} on {body.name} at {text}.",
    )
