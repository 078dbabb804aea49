"""Guided adjustments, the re-check after them, and the house's shims."""

from fastapi import APIRouter, Depends

from shimwise.bench.adjust import guide
from shimwise.bench.errors import InputError
from shimwise.bench.house import shim_stock
from shimwise.bench.verdict import recheck
from shimwise.web.api.deps import JudgeDep, RecordDep, json_only
from shimwise.web.api.kinds import Id
from shimwise.web.api.prep.models import Done
from shimwise.web.api.sign.models import (
    AdjustmentIn,
    AdjustmentOut,
    AdjustmentsOut,
    AnswerIn,
    BeforeAfterListOut,
    GiveUpIn,
    PeakIn,
    RecheckListOut,
    ShimStockIn,
    ShimStockOut,
    TakeBackIn,
)
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["adjusting"], responses=documented(422, 503))
reads = documented(404)
writes = documented(400, 404, 409, 413, 415)
json_body = [Depends(json_only)]


@router.get("/preps/{prep_id}/adjustments", responses=reads)
def list_adjustments(record: RecordDep, prep_id: Id) -> AdjustmentsOut:
    """List the adjustments of a prep: under way, finished, stopped, given up."""
    return AdjustmentsOut.model_validate({"adjustments": guide.adjustments(record, prep_id)})


@router.post("/preps/{prep_id}/adjustments", status_code=201, dependencies=json_body, responses=writes)
def begin_adjustment(record: RecordDep, prep_id: Id, new: AdjustmentIn) -> AdjustmentOut:
    """Begin the adjustment of a unit, planned from the verdict as it stands now."""
    return AdjustmentOut.model_validate(
        guide.begin_adjustment(
            record,
            prep_id,
            id=new.id,
            unit_kind=new.unit_kind,
            unit_id=new.unit_id,
            reason=new.reason,
            who=new.who,
        )
    )


@router.get("/preps/{prep_id}/adjustments/{adjustment_id}", responses=reads)
def show_adjustment(record: RecordDep, prep_id: Id, adjustment_id: Id) -> AdjustmentOut:
    """Give an adjustment with its steps."""
    return AdjustmentOut.model_validate(guide.adjustment(record, prep_id, adjustment_id))


@router.post("/preps/{prep_id}/adjustments/{adjustment_id}/answers", dependencies=json_body, responses=writes)
def answer_step(record: RecordDep, prep_id: Id, adjustment_id: Id, said: AnswerIn) -> AdjustmentOut:
    """Answer the step that is due; no step is skipped, and nothing is moved before its lock was looked at."""
    return AdjustmentOut.model_validate(
        guide.answer_step(
            record,
            prep_id,
            adjustment_id,
            step=said.step,
            answer=said.answer,
            note=said.note,
            who=said.who,
        )
    )


@router.post("/preps/{prep_id}/adjustments/{adjustment_id}/peak", dependencies=json_body, responses=writes)
def keep_peak(record: RecordDep, prep_id: Id, adjustment_id: Id, found: PeakIn) -> AdjustmentOut:
    """Keep where it is sharpest along the screw; the move that is due then leads there."""
    return AdjustmentOut.model_validate(
        guide.keep_peak(
            record,
            prep_id,
            adjustment_id,
            sweep=found.sweep,
            sharpest=found.sharpest,
            who=found.who,
        )
    )


@router.post(
    "/preps/{prep_id}/adjustments/{adjustment_id}/take-back", dependencies=json_body, responses=writes
)
def take_back(record: RecordDep, prep_id: Id, adjustment_id: Id, why: TakeBackIn) -> AdjustmentOut:
    """Take a step back with those after it; the trace stays."""
    return AdjustmentOut.model_validate(
        guide.take_back(record, prep_id, adjustment_id, step=why.step, reason=why.reason, who=why.who)
    )


@router.post("/preps/{prep_id}/adjustments/{adjustment_id}/give-up", dependencies=json_body, responses=writes)
def give_up(record: RecordDep, prep_id: Id, adjustment_id: Id, why: GiveUpIn) -> AdjustmentOut:
    """Give an adjustment up before anything was moved."""
    return AdjustmentOut.model_validate(
        guide.give_up(record, prep_id, adjustment_id, reason=why.reason, who=why.who)
    )


@router.post("/preps/{prep_id}/adjustments/{adjustment_id}/finish", dependencies=json_body, responses=writes)
def finish_adjustment(
    record: RecordDep, judge: JudgeDep, prep_id: Id, adjustment_id: Id, done: Done
) -> AdjustmentOut:
    """Finish an adjustment whose steps are all answered: a new epoch of the unit begins."""
    view = guide.finish_adjustment(record, prep_id, adjustment_id, who=done.who)
    if judge is not None:
        judge.ask(prep_id)
    return AdjustmentOut.model_validate(view)


@router.get("/preps/{prep_id}/recheck", responses=reads)
def recheck_of(record: RecordDep, prep_id: Id) -> RecheckListOut:
    """Say what is still to be read of the units that were adjusted."""
    return RecheckListOut.model_validate({"rechecks": recheck.recheck(record, prep_id)})


@router.get("/preps/{prep_id}/before-after", responses=reads)
def before_after(record: RecordDep, judge: JudgeDep, prep_id: Id) -> BeforeAfterListOut:
    """Give each adjusted unit before and after; a prep that is not judged as it stands is judged soon."""
    found = recheck.before_after(record, prep_id)
    if judge is not None and not all(one.is_judged for one in found):
        judge.ask(prep_id)
    return BeforeAfterListOut.model_validate({"adjustments": found})


@router.get("/shims")
def shims(record: RecordDep) -> ShimStockOut:
    """Give the house's shims, how many there are and what to order."""
    return ShimStockOut.model_validate(shim_stock.shim_stock(record))


@router.put("/shims", dependencies=json_body, responses=documented(400, 413, 415))
def change_shims(record: RecordDep, new: ShimStockIn) -> ShimStockOut:
    """Put counted shims in the place of those known."""
    counts = {shim.thickness_um: shim.count for shim in new.shims}
    if len(counts) != len(new.shims):
        raise InputError("name one thickness twice. Give each once, with its count.", field="shims")
    return ShimStockOut.model_validate(shim_stock.change_shim_stock(record, counts=counts, who=new.who))
