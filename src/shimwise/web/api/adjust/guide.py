"""Guided adjustments, the re-check after them, and the house's shims."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from shimwise.bench.adjust import guide
from shimwise.bench.adjust.views import AdjustmentView
from shimwise.bench.errors import InputError
from shimwise.bench.house import shim_stock
from shimwise.bench.house.shim_stock import StockView
from shimwise.bench.verdict import recheck
from shimwise.bench.verdict.recheck_views import BeforeAfter, RecheckView
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.kinds import Id, In, NewId, OptionalReason, Reason, Who
from shimwise.web.api.prep.requests import WhoIn
from shimwise.web.problems import documented

router = AnswerRouter(tags=["adjusting"], responses=documented(422, 503))
reads = documented(404)
OF_PREP = "/preps/{prep_id}/adjustments"
ONE = f"{OF_PREP}/{{adjustment_id}}"


StepId = Annotated[
    str,
    StringConstraints(min_length=1, max_length=40),
    Field(description="Id of the step, as the adjustment has it.", examples=["lock"]),
]


class AdjustmentIn(In):
    """An adjustment to begin."""

    id: NewId = None
    unit_kind: Literal["body", "lens"]
    unit_id: Id
    reason: Annotated[OptionalReason, Field(description="Needed for a unit that is not judged out.")] = ""
    who: Who


class PeakIn(In):
    """Where it is sharpest along the screw: a sweep listed by turns, else by eye, found anew each time."""

    sweep: Annotated[
        dict[str, Any] | None, Field(description="``shimwise.sweep/2`` with ``best_turns``.")
    ] = None
    sweep_id: Annotated[
        Id | None,
        Field(description="Instead: a sweep along the screw, kept since the adjustment was begun."),
    ] = None
    sharpest: Annotated[
        str, StringConstraints(max_length=200), Field(examples=["0.10 0.12 0.11 clockwise"])
    ] = ""
    who: Who


class AnswerIn(In):
    """The answer to a step: one of its choices, or what was done."""

    step: StepId
    answer: Annotated[
        str,
        StringConstraints(min_length=1, max_length=200),
        Field(examples=["done", "was free", "0.08 turn clockwise", "in 50 out 20"]),
    ]
    note: Annotated[str, StringConstraints(max_length=1000)] = ""
    consent: Annotated[
        str, StringConstraints(max_length=200), Field(description="Who consented, where a lock was released.")
    ] = ""
    who: Who


class TakeBackIn(In):
    """A step that was answered wrongly, and why it is taken back."""

    step: StepId
    reason: Reason
    who: Who


class GiveUpIn(In):
    """Why an adjustment is given up."""

    reason: Reason
    who: Who


class ShimIn(In):
    """How many shims there are of a thickness."""

    thickness_um: Annotated[float, Field(ge=1, le=2000, examples=[50.0])]
    count: Annotated[int, Field(ge=0, le=10000, examples=[4])]


class ShimStockIn(In):
    """The shims that were counted; they replace what was known."""

    shims: Annotated[list[ShimIn], Field(max_length=24)]
    who: Who


@dataclass(frozen=True, slots=True)
class Adjustments:
    """The adjustments of a prep, as they were begun."""

    adjustments: tuple[AdjustmentView, ...]


@dataclass(frozen=True, slots=True)
class Rechecks:
    """The re-checks of a prep."""

    rechecks: tuple[RecheckView, ...]


@dataclass(frozen=True, slots=True)
class BeforeAfters:
    """The adjustments of a prep, before and after."""

    adjustments: tuple[BeforeAfter, ...]


@router.get(OF_PREP, responses=reads)
def list_adjustments(record: RecordDep, prep_id: Id) -> Adjustments:
    """List the adjustments of a prep: under way, finished, stopped, given up."""
    return Adjustments(guide.adjustments(record, prep_id))


@router.post(OF_PREP, status_code=201, **WRITES)
def begin_adjustment(call: CallDep, prep_id: Id, new: AdjustmentIn) -> AdjustmentView:
    """Begin the adjustment of a unit, planned from the present verdict."""
    return guide.begin_adjustment(call.record, prep_id, **call.sent(new))


@router.get(ONE, responses=reads)
def show_adjustment(record: RecordDep, prep_id: Id, adjustment_id: Id) -> AdjustmentView:
    """Return an adjustment with its steps."""
    return guide.adjustment(record, prep_id, adjustment_id)


@router.post(f"{ONE}/answers", **WRITES)
def answer_step(call: CallDep, prep_id: Id, adjustment_id: Id, typed: AnswerIn) -> AdjustmentView:
    """Answer the step that is due; no step is skipped, and nothing is moved before its lock was looked at."""
    return guide.answer_step(call.record, prep_id, adjustment_id, **call.sent(typed))


@router.post(f"{ONE}/peak", **WRITES)
def keep_peak(call: CallDep, prep_id: Id, adjustment_id: Id, found: PeakIn) -> AdjustmentView:
    """Keep where it is sharpest along the screw; the move that is due then leads there."""
    return guide.keep_peak(call.record, prep_id, adjustment_id, **call.sent(found))


@router.post(f"{ONE}/take-back", **WRITES)
def take_back(call: CallDep, prep_id: Id, adjustment_id: Id, why: TakeBackIn) -> AdjustmentView:
    """Take a step back with those after it; the trace stays."""
    return guide.take_back(call.record, prep_id, adjustment_id, **call.sent(why))


@router.post(f"{ONE}/give-up", **WRITES)
def give_up(call: CallDep, prep_id: Id, adjustment_id: Id, why: GiveUpIn) -> AdjustmentView:
    """Give an adjustment up before anything was moved."""
    return guide.give_up(call.record, prep_id, adjustment_id, **call.sent(why))


@router.post(f"{ONE}/finish", **WRITES)
def finish_adjustment(call: CallDep, prep_id: Id, adjustment_id: Id, done: WhoIn) -> AdjustmentView:
    """Finish an adjustment whose steps are all answered: a new epoch of the unit begins."""
    return call.judge_soon(
        prep_id, guide.finish_adjustment(call.record, prep_id, adjustment_id, who=call.who(done.who))
    )


@router.get("/preps/{prep_id}/recheck", responses=reads)
def recheck_of(record: RecordDep, prep_id: Id) -> Rechecks:
    """List what is still to be read of the units that were adjusted."""
    return Rechecks(recheck.recheck(record, prep_id))


@router.get("/preps/{prep_id}/before-after", responses=reads)
def before_after(call: CallDep, prep_id: Id) -> BeforeAfters:
    """Return each adjusted unit before and after; a prep whose verdict is not current is judged soon."""
    found = recheck.before_after(call.record, prep_id)
    is_judged = all(one.is_judged for one in found)
    return call.judge_soon(prep_id, BeforeAfters(found), is_needed=not is_judged)


@router.get("/shims")
def shims(record: RecordDep) -> StockView:
    """Return the house's shims, how many there are and what to order."""
    return shim_stock.shim_stock(record)


@router.put("/shims", **WRITES)
def change_shims(call: CallDep, new: ShimStockIn) -> StockView:
    """Put counted shims in the place of those known."""
    counts = {shim.thickness_um: shim.count for shim in new.shims}
    if len(counts) != len(new.shims):
        raise InputError("name one thickness twice. Give each once, with its count.", field="shims")
    return shim_stock.change_shim_stock(call.record, counts=counts, who=call.who(new.who))
