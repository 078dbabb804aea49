"""After a move: what has to be read again, and the unit before and after."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

from shimwise.bench.house.unit_knowledge import judged_name, mechanism_of
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.prep.setups import is_same_mm
from shimwise.bench.prep.verdict_views import distance_words
from shimwise.bench.prep.views import ReadingToTake
from shimwise.bench.verdict.recheck_views import BeforeAfter, RecheckView
from shimwise.fields import build_from
from shimwise.inference.plan.recheck import LEAST_DISTANCES, LEAST_LENSES, Recheck, Target, plan_recheck
from shimwise.inference.verdict.answer import Z95, Answer, BodyAnswer, NextReading, Verdict
from shimwise.inference.verdict.unit_change import UnitChange, change_between
from shimwise.notices import Notice
from shimwise.number_format import plus_minus_text
from shimwise.record.queries import verdicts
from shimwise.record.queries.epochs import shifted
from shimwise.record.record import Connection, Record
from shimwise.record.tables.rows import AdjustmentRow, BodyRow, LensRow, ReadingRow, SweepRow, VerdictRow
from shimwise.remedy.mechanism import Screw
from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.words.notices import notice_text
from shimwise.sheets.words.to_do_words import take_text

_Evidence: TypeAlias = ReadingRow | SweepRow


@dataclass(frozen=True, slots=True)
class _Judged:
    """A prep with its latest verdict; ``answer`` is None before the first."""

    material: PrepMaterial
    row: VerdictRow | None
    answer: Answer | None

    @classmethod
    def of(cls, connection: Connection, material: PrepMaterial) -> "_Judged":
        row = verdicts.latest_verdict(connection, material.prep.id)
        return cls(material, row, None if row is None else answer_from_json(row.document))

    @property
    def is_current(self) -> bool:
        return self.row is not None and self.material.is_current(self.row)

    def unit(self, row: AdjustmentRow) -> BodyRow | LensRow:
        return self.material.unit(row.unit_kind, row.unit_id)


def recheck(record: Record, prep_id: str) -> tuple[RecheckView, ...]:
    """Return the re-check of each unit that was adjusted in a prep; raise NotFound if there is none."""
    with record.reading() as connection:
        return rechecks_in(connection, material_of(connection, prep_id))


def rechecks_in(connection: Connection, material: PrepMaterial) -> tuple[RecheckView, ...]:
    """Return the re-checks of a prep; of a unit adjusted twice, that of its last adjustment."""
    judged = _Judged.of(connection, material)
    rows = sorted(_adjustments(connection, material), key=lambda row: row.epoch_after)
    return tuple(_recheck_view(judged, row) for row in {row.unit_id: row for row in rows}.values())


def rereads_due(connection: Connection, material: PrepMaterial) -> tuple[Notice, ...]:
    """Return a line to do for each unit of a prep whose least re-check is not complete."""
    return tuple(
        _due(one.name, one.kind, material) for one in rechecks_in(connection, material) if not one.is_read
    )


def _due(name: str, kind: str, material: PrepMaterial) -> Notice:
    """Return what the least re-check of a unit takes, with the lenses that the prep has."""
    lenses = {} if kind == "lens" else {"lenses": float(min(LEAST_LENSES, len(material.lenses)))}
    return Notice("do_check_again", name, {"kind": kind, "distances": float(LEAST_DISTANCES), **lenses})


def before_after(record: Record, prep_id: str) -> tuple[BeforeAfter, ...]:
    """Return each adjustment of a prep, oldest first, with the unit before and after it.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        judged, rows = _Judged.of(connection, material), _adjustments(connection, material)
    return tuple(_before_after(judged, row, _epoch_judged(judged, row, rows)) for row in rows)


def _adjustments(connection: Connection, material: PrepMaterial) -> tuple[AdjustmentRow, ...]:
    rows = verdicts.adjustments(connection, material.prep.id)
    return shifted(rows, material.prep.epoch_shifts)


def _epoch_judged(judged: _Judged, row: AdjustmentRow, rows: Iterable[AdjustmentRow]) -> int:
    """Return the unit's epoch when the verdict was given, which may have been before the move."""
    later = [
        one.epoch_before
        for one in rows
        if one.unit_id == row.unit_id and judged.row is not None and one.made_at > judged.row.given_at
    ]
    return min(later, default=judged.unit(row).epoch)


def _before_after(judged: _Judged, row: AdjustmentRow, epoch_then: int) -> BeforeAfter:
    unit, answer = judged.unit(row), judged.answer
    old, new = (
        judged_name(unit.name, epoch=epoch, current=epoch_then)
        for epoch in (row.epoch_before, row.epoch_after)
    )
    before = None if answer is None else answer.unit(row.unit_kind, old)
    after, change = None, None
    if answer is not None and judged.is_current:
        after = answer.unit(row.unit_kind, new)
        change = change_between(answer.readings, kind=row.unit_kind, before=old, after=new)
    return build_from(
        BeforeAfter,
        row,
        adjustment_id=row.id,
        kind=row.unit_kind,
        name=unit.name,
        before_um=None if before is None else _finite(before.error_um),
        before_sd_um=None if before is None else _finite(before.sd_um),
        before_half_um=None if before is None else _finite(before.half_um),
        after_um=None if after is None else _finite(after.error_um),
        after_sd_um=None if after is None else _finite(after.sd_um),
        after_half_um=None if after is None else _finite(after.half_um),
        after_verdict=(Verdict.NOT_CHECKED if after is None else after.verdict).value,
        is_judged=judged.is_current,
        change_um=None if change is None else change.mean_um,
        change_sd_um=None if change is None else change.sd_um,
        words=_change_words(unit.name, before, after, change, is_judged=judged.is_current),
    )


def _change_words(
    name: str,
    before: BodyAnswer | None,
    after: BodyAnswer | None,
    change: UnitChange | None,
    *,
    is_judged: bool,
) -> str:
    now = f"{_error_words(after)} after" if is_judged else "after it not judged yet"
    moved = ""
    if change is not None:
        moved = f"; by its readings it moved {plus_minus_text(change.mean_um, Z95 * change.sd_um)} µm"
    return f"{name}: {_error_words(before)} before, {now}{moved}."


def _error_words(unit: BodyAnswer | None) -> str:
    if unit is None or not math.isfinite(unit.error_um + unit.sd_um):
        return "not known"
    return f"{plus_minus_text(unit.error_um, unit.half_um)} µm"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _recheck_view(judged: _Judged, row: AdjustmentRow) -> RecheckView:
    unit = judged.unit(row)
    since = [one for one in judged.material.evidence if _is_since(one, row)]
    answered = None if judged.answer is None else judged.answer.unit(row.unit_kind, unit.name)
    is_decided = judged.is_current and answered is not None and answered.verdict.is_decided
    found = _plan(judged, row, since, is_decided=is_decided)
    return RecheckView(
        unit_id=unit.id,
        kind=row.unit_kind,
        name=unit.name,
        adjustment_id=row.id,
        reading_count=len(since),
        other_count=found.partner_count,
        distance_count=found.distance_count,
        is_read=found.is_read,
        is_done=found.is_read and is_decided,
        words=_recheck_words(unit.name, row.unit_kind, found, judged, is_decided=is_decided),
        readings=tuple(
            _asked(judged.material, target, by_picture=_is_by_picture(row, unit)) for target in found.asked
        ),
    )


def _plan(judged: _Judged, row: AdjustmentRow, since: Iterable[_Evidence], *, is_decided: bool) -> Recheck:
    material, answer = judged.material, judged.answer
    bodies = {body.name: body.id for body in material.bodies.values()}
    lenses = {lens.name: lens.id for lens in material.lenses.values()}
    following: tuple[NextReading, ...] = ()
    if answer is not None and judged.is_current and not is_decided:
        following = answer.next_by_picture if _is_by_picture(row, judged.unit(row)) else answer.next
    proposed = [
        Target(bodies[one.body], lenses[one.lens], one.distance_mm)
        for one in following
        if one.body in bodies and one.lens in lenses
    ]
    taped: dict[str, list[float]] = {}
    for setup in material.setups.values():
        taped.setdefault(setup.body_id, []).append(setup.distance_mm)
    return plan_recheck(
        row.unit_id,
        is_body=row.unit_kind == "body",
        since=[_target(material, one) for one in since],
        read=[_target(material, one) for one in material.evidence],
        bodies=tuple(material.bodies),
        lenses=tuple(material.lenses),
        taped_mm=taped,
        proposed=proposed,
    )


def _recheck_words(name: str, kind: str, found: Recheck, judged: _Judged, *, is_decided: bool) -> str:
    if not found.is_read:
        return notice_text(_due(name, kind, judged.material))
    if is_decided:
        return f"{name} was checked again after its adjustment."
    if not judged.is_current:
        return f"{name} was read again; the verdict on it is still to come."
    return f"{name} was read again, but its verdict is not decided yet: read on."


def _is_since(reading: _Evidence, row: AdjustmentRow) -> bool:
    if row.unit_kind == "body":
        return reading.body_id == row.unit_id and reading.body_epoch >= row.epoch_after
    return reading.lens_id == row.unit_id and reading.lens_epoch >= row.epoch_after


def _target(material: PrepMaterial, row: _Evidence) -> Target:
    """Return what was read; a sweep without a set-up was at infinity."""
    setup = material.setups.get(row.setup_id or "")
    return Target(row.body_id, row.lens_id, math.inf if setup is None else setup.distance_mm)


def _is_by_picture(row: AdjustmentRow, unit: BodyRow | LensRow) -> bool:
    """Whether the picture saw a screw's move: then it is known in microns, and no turns are."""
    is_screw = isinstance(unit, BodyRow) and isinstance(mechanism_of(unit.mechanism), Screw)
    return is_screw and row.turns is None and row.amount_um is not None


def _asked(material: PrepMaterial, target: Target, *, by_picture: bool) -> ReadingToTake:
    body, lens, distance_mm = material.bodies[target.body], material.lenses[target.lens], target.distance_mm
    taped = (one for one in material.setups.values() if one.body_id == target.body)
    setup = next((one for one in taped if is_same_mm(one.distance_mm, distance_mm)), None)
    text = distance_words(material.house.units)(distance_mm) if setup is None else setup.distance_text
    return ReadingToTake(
        body_id=target.body,
        body=body.name,
        lens_id=target.lens,
        lens=lens.name,
        distance_mm=distance_mm,
        distance_text=text,
        setup_id="" if setup is None else setup.id,
        by_picture=by_picture,
        words=f"{take_text(by_picture=by_picture)} {lens.name} on {body.name} at {text}.",
    )
