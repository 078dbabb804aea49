"""A guided adjustment: one step at a time, each answered before the next; then read again."""

import json
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import Response

from shimwise.bench.adjust import guide
from shimwise.bench.errors import InputError
from shimwise.bench.prep import preps
from shimwise.bench.verdict import recheck, verdict
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import (
    JudgeDep,
    PageDep,
    PostedDep,
    QueryDep,
    RecordDep,
    remember,
    see,
    who_of,
)
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import Page, capital, number, person_of, render, sentences, signed, titled
from shimwise.web.problems import status_of

if TYPE_CHECKING:
    from shimwise.bench.adjust.views import AdjustmentView
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.prep.views import PrepView

__all__ = ["router"]

router = APIRouter(prefix="/preps/{prep_id}/adjust")
BEGUN, FINISHED, STOPPED = "begun", "finished", "stopped"
MOVE = "move"
LARGEST_SWEEP = 2**24
"""Bytes of a sweep's result that are read."""
OUT = ("out_short", "out_deep")


@router.get("")
def choose(request: Request, record: RecordDep, page: PageDep, query: QueryDep, prep_id: str) -> Response:
    """Show the adjustments of a prep, and the form that begins the one of a unit."""
    kind, name = query.text("kind"), query.text("unit")
    for one in guide.adjustments(record, prep_id):
        if name and one.state == BEGUN and (one.unit_kind, one.unit) == (kind, name):
            return see(_path(prep_id, one.id))
    prep = preps.open_prep(record, prep_id)
    of_kind = prep.bodies if kind == "body" else prep.lenses
    found = next((one for one in of_kind if one.name == name), None)
    form = Form()
    form.set("unit", f"{kind}:{found.id}" if found else "")
    return _choosing(request, record, page, prep, form)


@router.post("")
def begin(request: Request, record: RecordDep, page: PageDep, form: PostedDep, prep_id: str) -> Response:
    """Begin the adjustment of a unit."""
    who = who_of(request, form)
    kind, _, unit_id = form.text("unit").partition(":")
    try:
        if not unit_id:
            raise InputError("Choose what is to be adjusted.", field="unit")
        view = guide.begin_adjustment(
            record, prep_id, unit_kind=kind, unit_id=unit_id, reason=form.text("reason"), who=who
        )
    except ShimwiseError as error:
        form.refuse(error, fields={"unit_id": "unit", "unit_kind": "unit"})
        page.person = person_of(request)
        prep = preps.open_prep(record, prep_id)
        return _choosing(request, record, page, prep, form, status=status_of(error))
    return remember(see(_path(prep_id, view.id)), who)


@router.get("/{adjustment_id}")
def show(
    request: Request, record: RecordDep, page: PageDep, query: QueryDep, prep_id: str, adjustment_id: str
) -> Response:
    """Show the step that is due, those that were answered, and those to come."""
    form = Form()
    form.set("typed_move", query.text("typed_move"))
    return _guide(request, record, page, prep_id, adjustment_id, form=form)


@router.post("/{adjustment_id}/answers")
def answer(
    request: Request, record: RecordDep, page: PageDep, form: PostedDep, prep_id: str, adjustment_id: str
) -> Response:
    """Answer the step that is due; what was typed for a step that is not due is kept until it is."""
    who = who_of(request, form)
    try:
        guide.answer_step(
            record,
            prep_id,
            adjustment_id,
            step=form.text("step"),
            answer=form.text("answer"),
            note=form.text("note"),
            who=who,
        )
    except ShimwiseError as error:
        if form.text("step") == MOVE:
            form.set("typed_move", form.text("answer"))
        form.refuse(error, fields={"step": ""})
        return _refused(request, record, page, prep_id, adjustment_id, form, error)
    return _after(request, record, page, prep_id, adjustment_id, who, typed_move=form.text("typed_move"))


@router.post("/{adjustment_id}/peak")
async def keep_peak(
    request: Request, record: RecordDep, page: PageDep, prep_id: str, adjustment_id: str
) -> Response:
    """Keep where it is sharpest along the screw: of a sweep's result, else of what was seen by eye."""
    async with request.form(max_files=1) as sent:
        file = sent.get("sweep")
        content = await file.read(LARGEST_SWEEP) if isinstance(file, UploadFile) and file.filename else b""
        form = Form.of(sent)
    return await run_in_threadpool(
        _keep_peak, request, record, page, prep_id, adjustment_id, form=form, content=content
    )


def _keep_peak(
    request: Request,
    record: "Record",
    page: Page,
    prep_id: str,
    adjustment_id: str,
    *,
    form: Form,
    content: bytes,
) -> Response:
    who = who_of(request, form)
    try:
        guide.keep_peak(
            record,
            prep_id,
            adjustment_id,
            sweep=_sweep_of(content) if content or form.text("by") == "frames" else None,
            sharpest=form.text("sharpest"),
            who=who,
        )
    except ShimwiseError as error:
        form.refuse(error)
        return _refused(request, record, page, prep_id, adjustment_id, form, error)
    return _after(request, record, page, prep_id, adjustment_id, who)


def _sweep_of(content: bytes) -> dict[str, Any]:
    try:
        document = json.loads(content)
    except (ValueError, RecursionError):
        document = None
    if not isinstance(document, dict):
        raise InputError(
            "This is no result of a sweep. Send the file that shimwise sweep --out wrote.", field="sweep"
        )
    return document


@router.post("/{adjustment_id}/take-back")
def take_back(
    request: Request, record: RecordDep, page: PageDep, form: PostedDep, prep_id: str, adjustment_id: str
) -> Response:
    """Take a step back, and those after it, with a reason."""
    who, step = who_of(request, form), form.text("step")
    try:
        guide.take_back(record, prep_id, adjustment_id, step=step, reason=form.text("reason"), who=who)
    except ShimwiseError as error:
        form.refuse(error, fields={"reason": "back_reason", "step": ""})
        return _refused(request, record, page, prep_id, adjustment_id, form, error)
    return _after(request, record, page, prep_id, adjustment_id, who)


@router.post("/{adjustment_id}/give-up")
def give_up(
    request: Request, record: RecordDep, page: PageDep, form: PostedDep, prep_id: str, adjustment_id: str
) -> Response:
    """Give the adjustment up before anything was moved, with a reason."""
    who = who_of(request, form)
    try:
        guide.give_up(record, prep_id, adjustment_id, reason=form.text("reason"), who=who)
    except ShimwiseError as error:
        form.refuse(error, fields={"reason": "up_reason"})
        return _refused(request, record, page, prep_id, adjustment_id, form, error)
    return _after(request, record, page, prep_id, adjustment_id, who)


@router.post("/{adjustment_id}/finish")
def finish(
    request: Request,
    record: RecordDep,
    judge: JudgeDep,
    page: PageDep,
    form: PostedDep,
    prep_id: str,
    adjustment_id: str,
) -> Response:
    """Finish the adjustment: the unit is another one from now on."""
    who = who_of(request, form)
    try:
        guide.finish_adjustment(record, prep_id, adjustment_id, who=who)
    except ShimwiseError as error:
        form.refuse(error)
        return _refused(request, record, page, prep_id, adjustment_id, form, error)
    if judge is not None:
        judge.ask(prep_id)
    return _after(request, record, page, prep_id, adjustment_id, who)


def _path(prep_id: str, adjustment_id: str) -> str:
    return f"/preps/{prep_id}/adjust/{adjustment_id}"


def _choosing(
    request: Request, record: "Record", page: Page, prep: "PrepView", form: Form, *, status: int = 200
) -> Response:
    judged = (*prep.verdict.bodies, *prep.verdict.lenses) if prep.verdict else ()
    said = {(one.kind, one.name): one for one in judged}
    units = [
        (f"{one.kind}:{one.id}", one, said.get((one.kind, one.name))) for one in (*prep.bodies, *prep.lenses)
    ]
    out = [titled(one.kind, one.name) for _, one, line in units if line and line.verdict in OUT]
    chosen = next((one for key, one, _ in units if key == form.text("unit")), None)
    page.way = "preps"
    if not prep.is_open:
        page.sentence = f"{prep.title} is {prep.state}: nothing is adjusted until it is reopened."
    elif chosen is not None:
        page.sentence = f"{titled(chosen.kind, chosen.name)}: adjust it step by step."
    elif out:
        page.sentence = f"{', '.join(out)}: judged out, and can be adjusted."
    else:
        page.sentence = "No unit is judged out: nothing has to be adjusted."
    kept = [*reversed(guide.adjustments(record, prep.id))]
    return render(
        request, "adjust/begin.html", page, status=status, form=form, prep=prep, units=units, kept=kept
    )


def _after(
    request: Request,
    record: "Record",
    page: Page,
    prep_id: str,
    adjustment_id: str,
    who: str,
    *,
    typed_move: str = "",
) -> Response:
    """Go on: the part that changed where a script asks, else the page again."""
    if "HX-Request" not in request.headers:
        kept = f"?typed_move={quote(typed_move)}" if typed_move else ""
        return remember(see(f"{_path(prep_id, adjustment_id)}{kept}"), who)
    page.person, form = who, Form()
    form.set("typed_move", typed_move)
    return remember(_guide(request, record, page, prep_id, adjustment_id, form=form), who)


def _refused(
    request: Request,
    record: "Record",
    page: Page,
    prep_id: str,
    adjustment_id: str,
    form: Form,
    error: ShimwiseError,
) -> Response:
    page.person = person_of(request)
    return _guide(request, record, page, prep_id, adjustment_id, form=form, status=status_of(error))


def _guide(
    request: Request,
    record: "Record",
    page: Page,
    prep_id: str,
    adjustment_id: str,
    *,
    form: Form,
    status: int = 200,
) -> Response:
    view = guide.adjustment(record, prep_id, adjustment_id)
    prep = preps.open_prep(record, prep_id)
    if view.state == FINISHED and prep.is_open and not (prep.verdict and prep.verdict.is_current):
        _judge_again(record, page, prep_id)
    page.way = "preps"
    page.sentence, page.second = _said(view)
    is_part = "HX-Request" in request.headers
    return render(
        request,
        "adjust/guide.html" if is_part else "adjust/page.html",
        page,
        status=status,
        form=form,
        prep=prep,
        view=view,
        is_part=is_part,
        changes=_changes(view),
        rechecks=[one for one in recheck.recheck(record, prep_id) if one.adjustment_id == view.id],
        pairs=[one for one in recheck.before_after(record, prep_id) if one.adjustment_id == view.id],
    )


def _judge_again(record: "Record", page: Page, prep_id: str) -> None:
    """Judge the prep as it stands after the move: what is told before and after rests on it."""
    try:
        verdict.refresh_verdict(record, prep_id)
    except ShimwiseError as error:
        page.problem = f"No verdict can be given: {error}"


def _said(view: "AdjustmentView") -> tuple[str, str]:
    """Say what is due, or how it ended."""
    unit, now = titled(view.unit_kind, view.unit), view.now
    if view.state == FINISHED:
        if view.amount_um is None:
            return f"{unit} was sent out; read it again when it is back.", ""
        half_um = 2 * (view.amount_sd_um or 0.0)
        return f"{unit} was moved by {signed(view.amount_um)} ± {half_um:.0f} µm; now read it again.", ""
    if view.state == STOPPED:
        return f"{unit} stays locked: it was not moved.", "Ask its owner about the lock, or send it out."
    if view.state != BEGUN:
        return f"The adjustment of {unit} was given up; it was not moved.", ""
    if now is None:
        return f"Every step on {unit} is answered: finish the adjustment.", ""
    return sentences(now.text)


def _changes(view: "AdjustmentView") -> list[tuple[str, str]]:
    """Tell the move in words, as terms and what they hold."""
    move = view.move
    said = [("Change", f"{capital(move.words)}")]
    if move.turns is not None:
        sd = f", ± {720 * move.turns_sd:.0f}°" if move.turns_sd else ""
        said += [("Turn", f"{move.turn}{sd}"), ("Approach", move.approach)]
    for term, shims in (("Put in", move.put_in_um), ("Take out", move.taken_out_um)):
        if shims:
            said.append((term, f"{' + '.join(map(number, shims))} µm"))
    if move.leftover_um is not None:
        said.append(("Left over", f"{signed(move.leftover_um)} µm"))
    if move.order:
        said.append(("To order", ", ".join(f"{count} of {number(size)} µm" for size, count in move.order)))
    if view.screw is not None:
        said.append(("The screw", view.screw.words))
    return said
