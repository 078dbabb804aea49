"""Gauges and sweeps of a prep, and what it gives away: files to keep and to pass on."""

import json
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import Response

from shimwise.bench.errors import InputError
from shimwise.bench.exchange.record_admin import export_prep, export_readings_csv
from shimwise.bench.prep import gauges, preps
from shimwise.bench.sweep import evidence
from shimwise.bench.sweep.evidence import SweepRequest
from shimwise.bench.sweep.frame_files import MOST_FILES
from shimwise.bench.sweep.jobs import SweepJobs
from shimwise.bench.typed_names import id_or_new
from shimwise.bench.verdict import verdict
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import JudgeDep, PageDep, PostedDep, RecordDep, remember, see, who_of
from shimwise.web.pages.forms import Form
from shimwise.web.pages.prep.prep import CHANGED, values_of
from shimwise.web.pages.view import Page, person_of, render

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.verdict.judge_service import JudgeService

__all__ = ["router"]

router = APIRouter(prefix="/preps/{prep_id}")


@router.post("/gauges")
def add_gauge(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, form: PostedDep, prep_id: str
) -> Response:
    """Keep a gauge value."""
    who, status = who_of(request, form), 200
    kind, _, unit_id = form.text("unit").partition(":")
    try:
        gauges.add_gauge(
            record,
            prep_id,
            unit_kind=kind,
            unit_id=unit_id,
            value_um=_needed(form, "value_um"),
            sd_um=_needed(form, "sd_um"),
            instrument=form.text("instrument"),
            who=who,
        )
        form = Form()
    except ShimwiseError as error:
        form.refuse(error, fields={"unit_id": "unit", "unit_kind": "unit"})
        status = 422
    return remember(
        _part(request, record, judge, page, prep_id, "gauges", status=status, gauge_form=form), who
    )


@router.post("/gauges/{gauge_id}/withdraw")
def withdraw_gauge(
    request: Request,
    record: RecordDep,
    judge: JudgeDep,
    page: PageDep,
    form: PostedDep,
    prep_id: str,
    gauge_id: str,
) -> Response:
    """Withdraw a gauge value, with its reason."""
    gauges.withdraw_gauge(record, prep_id, gauge_id, reason=form.text("reason"), who=who_of(request, form))
    return _part(request, record, judge, page, prep_id, "gauges")


@router.get("/sweeps")
def show_sweeps(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, prep_id: str
) -> Response:
    """Show the sweeps, and how far those are that are under way."""
    return _part(request, record, judge, page, prep_id, "sweeps")


@router.post("/sweeps")
async def add_sweep(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, prep_id: str
) -> Response:
    """Take a sweep's frames; they are measured beside the pages."""
    async with request.form(max_files=MOST_FILES + 1) as sent:
        return await run_in_threadpool(_begin_sweep, request, record, judge, page, prep_id, sent)


@router.post("/sweeps/{sweep_id}/cancel")
def cancel_sweep(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, prep_id: str, sweep_id: str
) -> Response:
    """Cancel the measuring of a sweep."""
    _jobs(request).cancel(sweep_id, prep_id=prep_id)
    return _part(request, record, judge, page, prep_id, "sweeps")


@router.post("/sweeps/{sweep_id}/dismiss")
def dismiss_sweep(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, prep_id: str, sweep_id: str
) -> Response:
    """Tell no more of a sweep that was not measured."""
    _jobs(request).dismiss(sweep_id, prep_id=prep_id)
    return _part(request, record, judge, page, prep_id, "sweeps")


@router.post("/sweeps/{sweep_id}/withdraw")
def withdraw_sweep(
    request: Request,
    record: RecordDep,
    judge: JudgeDep,
    page: PageDep,
    form: PostedDep,
    prep_id: str,
    sweep_id: str,
) -> Response:
    """Withdraw a sweep, with its reason."""
    evidence.withdraw_sweep(record, prep_id, sweep_id, reason=form.text("reason"), who=who_of(request, form))
    return _part(request, record, judge, page, prep_id, "sweeps")


@router.get("/readings.csv")
def readings_csv(record: RecordDep, prep_id: str) -> Response:
    """Give the readings as a readings file."""
    content: str | bytes = export_readings_csv(record, prep_id)
    return _file(content, "text/csv; charset=utf-8", "readings.csv")


@router.get("/prep.json")
def prep_json(record: RecordDep, prep_id: str) -> Response:
    """Give all that the prep holds."""
    return _file(export_prep(record, prep_id), "application/json", "prep.json")


@router.get("/verdict.json")
def verdict_json(record: RecordDep, prep_id: str) -> Response:
    """Give the verdict as it was given."""
    document = verdict.given_verdict(record, prep_id).document
    return _file(_json(document), "application/json", "verdict.json")


def _begin_sweep(
    request: Request,
    record: "Record",
    judge: "JudgeService | None",
    page: Page,
    prep_id: str,
    sent: FormData,
) -> Response:
    form, status = Form.of(sent), 200
    who = who_of(request, form)
    try:
        prep = preps.open_prep(record, prep_id)
        setup = next((one for one in prep.setups if one.id == form.text("setup_id")), None)
        if setup is None:
            raise InputError("Choose the set-up at which it was swept.", field="setup_id")
        facts = SweepRequest(
            body_id=setup.body_id, lens_id=form.text("lens_id"), distance_text=setup.distance_text
        )
        files = [
            (one.filename, one.file)
            for one in sent.getlist("files")
            if isinstance(one, UploadFile) and one.filename
        ]
        _jobs(request).begin(prep_id, sweep_id=id_or_new(form.text("id")), files=files, facts=facts, who=who)
        form = Form()
    except ShimwiseError as error:
        form.refuse(error, fields={"body_id": "setup_id"})
        status = 422
    return remember(
        _part(request, record, judge, page, prep_id, "sweeps", status=status, sweep_form=form), who
    )


def _part(
    request: Request,
    record: "Record",
    judge: "JudgeService | None",
    page: Page,
    prep_id: str,
    part: str,
    *,
    status: int = 200,
    **forms: Form,
) -> Response:
    """Give the part of the page that changed; the whole page where no script asks."""
    prep = preps.open_prep(record, prep_id)
    is_changed = status == 200 and request.method == "POST"
    if is_changed and judge is not None:
        judge.ask(prep_id)
    is_scripted = "HX-Request" in request.headers
    if is_changed and not is_scripted:
        return see(f"/preps/{prep_id}#{part}")
    values: dict[str, Any] = {**values_of(request, prep), **forms}
    page.way, page.person = "preps", page.person or person_of(request)
    template = f"prep/{part}.html" if is_scripted else "prep/page.html"
    headers = CHANGED if is_changed else None
    return render(request, template, page, status=status, headers=headers, **values)


def _jobs(request: Request) -> SweepJobs:
    jobs: SweepJobs = request.app.state.sweeps
    return jobs


def _needed(form: Form, name: str) -> float:
    value = form.number(name)
    if value is None:
        raise InputError("A number is needed here.", field=name)
    return value


def _json(document: object) -> str:
    return json.dumps(document, ensure_ascii=False, indent=2)


def _file(content: str | bytes, kind: str, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(content, media_type=kind, headers=headers)
