"""Preps, their units, set-ups and gauges."""

from typing import Annotated, Literal

from fastapi import Query

from shimwise.bench.prep import gauges, preps
from shimwise.bench.prep.views import GaugeView, PrepPage, PrepView, SetupView
from shimwise.bench.sign import signing
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.kinds import Cursor, Id, Limit, Search
from shimwise.web.api.prep.requests import GaugeIn, PrepIn, SetupIn, UnitsIn, WhoIn, Withdrawal
from shimwise.web.api.sign.signing import ReopenIn
from shimwise.web.problems import documented

router = AnswerRouter(prefix="/preps", tags=["preps"], responses=documented(422, 503))


@router.get("")
def list_preps(
    record: RecordDep,
    state: Annotated[Literal["", "open", "done", "signed"], Query(description="Empty for all.")] = "",
    search: Search = "",
    limit: Limit = 50,
    cursor: Cursor = "",
) -> PrepPage:
    """List preps, newest first."""
    return preps.list_preps(record, state=state, search=search, limit=limit, before=cursor)


@router.post("", status_code=201, **WRITES)
def start_prep(call: CallDep, new: PrepIn) -> PrepView:
    """Start a prep from bodies and a set. The same request sent twice starts one."""
    return preps.start_prep(call.record, **call.sent(new))


@router.get("/{prep_id}", responses=documented(404))
def open_prep(call: CallDep, prep_id: Id) -> PrepView:
    """Return a whole prep: units, set-ups, readings with their landings, gauges, sweeps and the verdict.

    A verdict that is not current is being computed when this is answered.
    """
    view = preps.open_prep(call.record, prep_id)
    return call.judge_soon(prep_id, view, is_needed=not (view.verdict and view.verdict.is_current))


@router.post("/{prep_id}/close", **WRITES)
def close_prep(call: CallDep, prep_id: Id, done: WhoIn) -> PrepView:
    """Close a prep: it takes no more readings."""
    return preps.close_prep(call.record, prep_id, who=call.who(done.who))


@router.post("/{prep_id}/reopen", **WRITES)
def reopen_prep(call: CallDep, prep_id: Id, why: ReopenIn) -> PrepView:
    """Open a closed prep again; a signed one with a reason, by who signed it or a lead."""
    if why.reason:
        return signing.reopen(call.record, prep_id, **call.sent(why))
    return preps.reopen_prep(call.record, prep_id, who=call.who(why.who))


@router.post("/{prep_id}/units", **WRITES)
def add_units(call: CallDep, prep_id: Id, units: UnitsIn) -> PrepView:
    """Add bodies and lenses to a prep; those that are in it stay."""
    return call.judge_soon(prep_id, preps.add_units(call.record, prep_id, **call.sent(units)))


@router.post("/{prep_id}/setups", status_code=201, **WRITES)
def tape_setup(call: CallDep, prep_id: Id, new: SetupIn) -> SetupView:
    """Tape a set-up: one body and one chart at one distance."""
    return preps.tape_setup(call.record, prep_id, **call.sent(new))


@router.post("/{prep_id}/gauges", status_code=201, **WRITES)
def add_gauge(call: CallDep, prep_id: Id, new: GaugeIn) -> GaugeView:
    """Keep a depth-gauge value of a body or a collimator value of a lens."""
    return call.judge_soon(prep_id, gauges.add_gauge(call.record, prep_id, **call.sent(new)))


@router.post("/{prep_id}/gauges/{gauge_id}/withdraw", **WRITES)
def withdraw_gauge(call: CallDep, prep_id: Id, gauge_id: Id, why: Withdrawal) -> GaugeView:
    """Withdraw a gauge's value with a reason; it stays in the record."""
    return call.judge_soon(prep_id, gauges.withdraw_gauge(call.record, prep_id, gauge_id, **call.sent(why)))
