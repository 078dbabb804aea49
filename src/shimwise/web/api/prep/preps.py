"""Preps, their units, set-ups and gauges."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query

from shimwise.bench.prep import gauges, preps
from shimwise.bench.sign import signing
from shimwise.web.api.deps import JudgeDep, RecordDep, json_only
from shimwise.web.api.kinds import Cursor, Id, Limit, Search
from shimwise.web.api.prep.models import (
    Done,
    GaugeIn,
    GaugeOut,
    PrepIn,
    PrepListOut,
    PrepOut,
    SetupIn,
    SetupOut,
    UnitsIn,
    Withdrawal,
)
from shimwise.web.api.sign.models import ReopenIn
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(prefix="/preps", tags=["preps"], responses=documented(422, 503))
writes = documented(400, 404, 409, 413, 415)
json_body = [Depends(json_only)]


@router.get("")
def list_preps(
    record: RecordDep,
    state: Annotated[Literal["", "open", "done", "signed"], Query(description="Empty for all.")] = "",
    search: Search = "",
    limit: Limit = 50,
    cursor: Cursor = "",
) -> PrepListOut:
    """List preps, newest first."""
    page = preps.list_preps(record, state=state, search=search, limit=limit, before=cursor)
    return PrepListOut.model_validate(page)


@router.post("", status_code=201, dependencies=json_body, responses=writes)
def start_prep(record: RecordDep, new: PrepIn) -> PrepOut:
    """Start a prep from bodies and a set. The same request sent twice starts one."""
    return PrepOut.model_validate(
        preps.start_prep(
            record,
            id=new.id,
            body_ids=new.body_ids,
            set_id=new.set_id,
            lens_ids=new.lens_ids,
            title=new.title,
            tolerance_um=new.tolerance_um,
            temperature_c=new.temperature_c,
            note=new.note,
            who=new.who,
        )
    )


@router.get("/{prep_id}", responses=documented(404))
def open_prep(record: RecordDep, judge: JudgeDep, prep_id: Id) -> PrepOut:
    """Give a whole prep: units, set-ups, readings with their landings, gauges, sweeps and the verdict.

    A verdict that is not current is on its way when this is answered.
    """
    view = preps.open_prep(record, prep_id)
    if judge is not None and not (view.verdict and view.verdict.is_current):
        judge.ask(prep_id)
    return PrepOut.model_validate(view)


@router.post("/{prep_id}/close", dependencies=json_body, responses=writes)
def close_prep(record: RecordDep, prep_id: Id, done: Done) -> PrepOut:
    """Close a prep: it takes no more readings."""
    return PrepOut.model_validate(preps.close_prep(record, prep_id, who=done.who))


@router.post("/{prep_id}/reopen", dependencies=json_body, responses=writes)
def reopen_prep(record: RecordDep, prep_id: Id, why: ReopenIn) -> PrepOut:
    """Open a closed prep again; a signed one with a reason, by who signed it or a lead."""
    if why.reason:
        return PrepOut.model_validate(signing.reopen(record, prep_id, reason=why.reason, who=why.who))
    return PrepOut.model_validate(preps.reopen_prep(record, prep_id, who=why.who))


@router.post("/{prep_id}/units", dependencies=json_body, responses=writes)
def add_units(record: RecordDep, judge: JudgeDep, prep_id: Id, units: UnitsIn) -> PrepOut:
    """Add bodies and lenses to a prep; those that are in it stay."""
    view = preps.add_units(record, prep_id, body_ids=units.body_ids, lens_ids=units.lens_ids, who=units.who)
    if judge is not None:
        judge.ask(prep_id)
    return PrepOut.model_validate(view)


@router.post("/{prep_id}/setups", status_code=201, dependencies=json_body, responses=writes)
def tape_setup(record: RecordDep, prep_id: Id, new: SetupIn) -> SetupOut:
    """Tape a set-up: one body and one chart at one distance."""
    return SetupOut.model_validate(
        preps.tape_setup(
            record,
            prep_id,
            id=new.id,
            body_id=new.body_id,
            distance_text=new.distance_text,
            name=new.name,
            chart=new.chart,
            who=new.who,
        )
    )


@router.post("/{prep_id}/gauges", status_code=201, dependencies=json_body, responses=writes)
def add_gauge(record: RecordDep, judge: JudgeDep, prep_id: Id, new: GaugeIn) -> GaugeOut:
    """Keep a depth-gauge value of a body or a collimator value of a lens."""
    view = gauges.add_gauge(
        record,
        prep_id,
        id=new.id,
        unit_kind=new.unit_kind,
        unit_id=new.unit_id,
        value_um=new.value_um,
        sd_um=new.sd_um,
        instrument=new.instrument,
        note=new.note,
        who=new.who,
    )
    if judge is not None:
        judge.ask(prep_id)
    return GaugeOut.model_validate(view)


@router.post("/{prep_id}/gauges/{gauge_id}/withdraw", dependencies=json_body, responses=writes)
def withdraw_gauge(
    record: RecordDep, judge: JudgeDep, prep_id: Id, gauge_id: Id, why: Withdrawal
) -> GaugeOut:
    """Withdraw a gauge's value with a reason; it stays in the record."""
    view = gauges.withdraw_gauge(record, prep_id, gauge_id, reason=why.reason, who=why.who)
    if judge is not None:
        judge.ask(prep_id)
    return GaugeOut.model_validate(view)
