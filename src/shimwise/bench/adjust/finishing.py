"""What an adjustment changes in the house: shims chosen from the stock, and the finished move kept."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from shimwise.bench.adjust.journal import PLANNED, KeptAdjustment
from shimwise.bench.adjust.moves import made_move, restacked
from shimwise.bench.adjust.text import read_shims
from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.house.shim_stock import take_shims
from shimwise.bench.house.unit_knowledge import mechanism_of
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.verdict.histories import remember_move
from shimwise.errors import RemedyError
from shimwise.fields import build_from
from shimwise.record.journal import Change
from shimwise.record.queries import verdicts
from shimwise.record.tables.rows import AdjustmentRow, BodyRow, LensRow
from shimwise.remedy.adjustment_steps import Guide, Step, StepAnswer
from shimwise.remedy.mechanism import ShimmedMount

_ACTIONS = {
    Guide.SCREW: "move sensor",
    Guide.SCREW_WITHOUT_LOCK: "move sensor",
    Guide.SHIMMED_MOUNT: "shim mount",
    Guide.FIXED: "send out",
    Guide.LENS_SHIM: "shim lens",
}


def note(change: Change, kept: KeptAdjustment, what: str, detail: Mapping[str, Any]) -> None:
    """Write a line of an adjustment into the journal."""
    whole = {"adjustment_id": kept.id, **detail}
    change.note(what, prep_id=kept.prep_id, unit_id=kept.unit_id, detail=whole)


def unit_of(material: PrepMaterial, unit_kind: str, unit_id: str) -> BodyRow | LensRow:
    """Return the row of a prep's unit; raise InputError if the prep has none of this kind and id."""
    of_kind: Mapping[str, BodyRow | LensRow] = material.bodies if unit_kind == "body" else material.lenses
    if unit_kind not in ("body", "lens") or unit_id not in of_kind:
        raise InputError(f"is no {unit_kind} of this prep.", field="unit_id", typed=unit_id)
    return of_kind[unit_id]


def plan_stack(change: Change, kept: KeptAdjustment, material: PrepMaterial, stack_text: str) -> None:
    """Plan the shims again once those in the mount were measured; Conflict if more has to come out."""
    try:
        stack = read_shims(stack_text)
    except InputError:
        return  # of a lens: what its technician wrote
    plan = restacked(
        change.connection,
        kept.plan,
        stack,
        own_um=_own_stock(unit_of(material, kept.unit_kind, kept.unit_id)),
        tolerance_um=material.tolerance_um,
    )
    note(change, kept, PLANNED, {"plan": plan.to_json()})


def _own_stock(unit: BodyRow | LensRow) -> tuple[float, ...]:
    """Thicknesses kept with a body, which are none of the house's counted ones. [µm]"""
    mechanism = mechanism_of(unit.mechanism) if isinstance(unit, BodyRow) else None
    return mechanism.stock_um if isinstance(mechanism, ShimmedMount) else ()


def keep_finished(change: Change, material: PrepMaterial, kept: KeptAdjustment) -> None:
    """Keep a finished adjustment: its row, the new epoch, the memory after the move, the stock.

    Raises
    ------
    Conflict
        If the stock lacks a shim.
    """
    unit = unit_of(material, kept.unit_kind, kept.unit_id)
    adjusted = kept.adjustment
    made = made_move(change.connection, unit, adjusted)
    is_sent = adjusted.confirmed[Step.MOVE].answer is StepAnswer.SENT_OUT
    if adjusted.made is not None and not _own_stock(unit):
        try:
            take_shims(change, put_in_um=adjusted.made.shims_in_um, taken_out_um=adjusted.made.shims_out_um)
        except RemedyError as error:
            raise Conflict(str(error), kind="adjustment", id=kept.id) from error
    events = tuple(adjusted.to_json()["events"])
    verdicts.add_adjustment(
        change,
        build_from(
            AdjustmentRow,
            kept,
            action="send out" if is_sent else _ACTIONS[kept.guide],
            made_by=change.who,
            made_at=change.at,
            epoch_before=kept.epoch,
            epoch_after=kept.epoch + 1,
            **asdict(made),
            steps=events,
        ),
    )
    remember_move(change, material, unit, by_um=made.amount_um, sd_um=made.amount_sd_um)
