"""Gauges and sweeps of a prep, and its files to keep and to pass on."""

import json

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import PlainTextResponse, Response

from shimwise.bench.errors import InputError
from shimwise.bench.exchange.record_admin import export_prep, export_readings_csv
from shimwise.bench.prep import gauges, preps
from shimwise.bench.sweep import evidence
from shimwise.bench.sweep.evidence import SweepRequest
from shimwise.bench.sweep.frame_files import MOST_FILES
from shimwise.bench.sweep.moves import Moves, positions_of
from shimwise.bench.typed_names import id_or_new
from shimwise.bench.verdict import verdict
from shimwise.errors import ShimwiseError
from shimwise.web.api.deps import RecordDep
from shimwise.web.pages.deps import PostDep, Visit, VisitDep, file_answer, remember
from shimwise.web.pages.forms import Form
from shimwise.web.pages.prep.prep import changed_part, show_part

router = APIRouter(prefix="/preps/{prep_id}")


@router.post("/gauges")
def add_gauge(visit: PostDep, prep_id: str) -> Response:
    """Keep a gauge value."""
    form, who = visit.form, visit.who
    kind, _, unit_id = form.text("unit").partition(":")
    try:
        gauges.add_gauge(
            visit.record,
            prep_id,
            unit_kind=kind,
            unit_id=unit_id,
            value_um=form.needed("value_um"),
            sd_um=form.needed("sd_um"),
            instrument=form.text("instrument"),
            who=who,
        )
    except ShimwiseError as error:
        visit.refuse(error, status=422, fields={"unit_id": "unit", "unit_kind": "unit"})
        return remember(show_part(visit, prep_id, "gauges", gauge_form=form), who)
    return remember(changed_part(visit, prep_id, "gauges"), who)


@router.post("/gauges/{gauge_id}/withdraw")
def withdraw_gauge(visit: PostDep, prep_id: str, gauge_id: str) -> Response:
    """Withdraw a gauge value, with its reason."""
    reason = visit.form.text("reason")
    gauges.withdraw_gauge(visit.record, prep_id, gauge_id, reason=reason, who=visit.who)
    return changed_part(visit, prep_id, "gauges")


@router.get("/sweeps")
def show_sweeps(visit: VisitDep, prep_id: str, kept: int | None = None) -> Response:
    """Show the sweeps, and how far those are that are under way; ``kept``: of how many the page knows."""
    return show_part(visit, prep_id, "sweeps", kept_before=kept)


@router.post("/sweeps")
async def add_sweep(visit: VisitDep, prep_id: str) -> Response:
    """Take a sweep's frames; they are measured beside the pages."""
    async with visit.request.form(max_files=MOST_FILES + 1) as sent:
        return await run_in_threadpool(_begin_sweep, visit, prep_id, sent)


@router.get("/sweeps/at")
def check_position(visit: VisitDep, moved: str = "", at: str = "") -> PlainTextResponse:
    """Return why a position cannot be taken as it is typed; empty where it can."""
    with visit.refusing():
        positions_of(Moves(moved=moved, at=[at]), count=1)
    return PlainTextResponse(" ".join(visit.form.refused.values()))


@router.post("/sweeps/{sweep_id}/cancel")
def cancel_sweep(visit: VisitDep, prep_id: str, sweep_id: str) -> Response:
    """Cancel the measuring of a sweep."""
    visit.sweeps.cancel(sweep_id, prep_id=prep_id, who=visit.who)
    return changed_part(visit, prep_id, "sweeps")


@router.post("/sweeps/{sweep_id}/dismiss")
def dismiss_sweep(visit: VisitDep, prep_id: str, sweep_id: str) -> Response:
    """Forget a sweep that was not measured."""
    visit.sweeps.dismiss(sweep_id, prep_id=prep_id, who=visit.who)
    return changed_part(visit, prep_id, "sweeps")


@router.post("/sweeps/{sweep_id}/withdraw")
def withdraw_sweep(visit: PostDep, prep_id: str, sweep_id: str) -> Response:
    """Withdraw a sweep, with its reason."""
    reason = visit.form.text("reason")
    evidence.withdraw_sweep(visit.record, prep_id, sweep_id, reason=reason, who=visit.who)
    return changed_part(visit, prep_id, "sweeps")


@router.get("/readings.csv")
def readings_csv(record: RecordDep, prep_id: str) -> Response:
    """Return the readings as a readings file."""
    return file_answer(export_readings_csv(record, prep_id), "text/csv; charset=utf-8", "readings.csv")


@router.get("/prep.json")
def prep_json(record: RecordDep, prep_id: str) -> Response:
    """Return all that the prep holds."""
    return file_answer(export_prep(record, prep_id), "application/json", "prep.json")


@router.get("/verdict.json")
def verdict_json(record: RecordDep, prep_id: str) -> Response:
    """Return the verdict as it was given."""
    document = verdict.given_verdict(record, prep_id).document
    content = json.dumps(document, ensure_ascii=False, indent=2)
    return file_answer(content, "application/json", "verdict.json")


def _begin_sweep(visit: Visit, prep_id: str, sent: FormData) -> Response:
    form = visit.form = Form.of(sent)
    who = visit.who
    try:
        prep = preps.open_prep(visit.record, prep_id)
        setup = next((one for one in prep.setups if one.id == form.text("setup_id")), None)
        if setup is None:
            raise InputError("Choose the set-up at which it was swept.", field="setup_id")
        facts = SweepRequest(
            body_id=setup.body_id,
            lens_id=form.text("lens_id"),
            distance_text=setup.distance_text,
            **form.read(numbers=("focal_mm", "fnumber", "pitch_um", "scale")),
            transfer=form.text("transfer") or None,
            signal_range=form.text("signal_range") or None,
        )
        moves = None
        if form.all("at"):
            moves = Moves(moved=form.text("moved"), at=form.values["at"])
        if form.text("first") or form.text("step"):
            moves = Moves(moved=form.text("moved"), first=form.text("first"), step=form.text("step"))
        files = [
            (one.filename, one.file)
            for one in sent.getlist("files")
            if isinstance(one, UploadFile) and one.filename
        ]
        sweep_id = id_or_new(form.text("id"))
        star = form.numbers("star") or None
        visit.sweeps.begin(
            prep_id, sweep_id=sweep_id, files=files, facts=facts, who=who, moves=moves, star=star
        )
    except ShimwiseError as error:
        visit.refuse(error, status=422, fields={"body_id": "setup_id"})
        return remember(show_part(visit, prep_id, "sweeps", sweep_form=form), who)
    return remember(changed_part(visit, prep_id, "sweeps"), who)
