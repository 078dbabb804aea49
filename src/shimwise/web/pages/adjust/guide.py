"""A guided adjustment: one step at a time, each answered before the next; then read again."""

import json
import math
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import Response

from shimwise.bench.adjust import guide
from shimwise.bench.adjust.errors import ConsentNeeded, LockDoubted
from shimwise.bench.adjust.views import AdjustmentView
from shimwise.bench.errors import InputError
from shimwise.bench.prep import preps
from shimwise.bench.prep.views import PrepView
from shimwise.bench.verdict import recheck
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PostDep, Visit, VisitDep, remember, see
from shimwise.web.pages.forms import Form, capital
from shimwise.web.pages.view import OUT, number, sentences, signed, titled

router = APIRouter(prefix="/preps/{prep_id}/adjust")
ONE = "/{adjustment_id}"
BEGUN, FINISHED, STOPPED = "begun", "finished", "stopped"
MOVE, NO_LOCK = "move", "no lock"
BESIDE: dict[type[ShimwiseError], str] = {ConsentNeeded: "consent", LockDoubted: "found"}
"""Fields under an answer about the lock, by what is refused where they are empty."""
LARGEST_SWEEP = 2**24
"""Bytes of a sweep's result that are read."""
Z95 = 1.96
"""Standard uncertainties in half a 95 % interval, as in the table of before and after."""


@router.get("")
def choose(visit: VisitDep, prep_id: str) -> Response:
    """Show the adjustments of a prep, and the form that begins the one of a unit."""
    kind, name = visit.form.text("kind"), visit.form.text("unit")
    for one in guide.adjustments(visit.record, prep_id):
        if name and one.state == BEGUN and (one.unit_kind, one.unit) == (kind, name):
            return see(_path(prep_id, one.id))
    prep = preps.open_prep(visit.record, prep_id)
    of_kind = prep.bodies if kind == "body" else prep.lenses
    found = next((one for one in of_kind if one.name == name), None)
    visit.form = Form.filled(unit=f"{kind}:{found.id}" if found else "")
    return _choosing(visit, prep)


@router.post("")
def begin(visit: PostDep, prep_id: str) -> Response:
    """Begin the adjustment of a unit."""
    form = visit.form
    kind, _, unit_id = form.text("unit").partition(":")
    with visit.refusing(fields={"unit_id": "unit", "unit_kind": "unit"}):
        if not unit_id:
            raise InputError("Choose what is to be adjusted.", field="unit")
        view = guide.begin_adjustment(
            visit.record,
            prep_id,
            unit_kind=kind,
            unit_id=unit_id,
            reason=form.text("reason"),
            who=visit.who,
        )
        return visit.go(_path(prep_id, view.id))
    return _choosing(visit, preps.open_prep(visit.record, prep_id))


@router.get(ONE)
def show(visit: VisitDep, prep_id: str, adjustment_id: str) -> Response:
    """Show the step that is due, those that were answered, and those to come."""
    visit.form = Form.filled(typed_move=visit.form.text("typed_move"))
    return _guide(visit, prep_id, adjustment_id)


@router.post(f"{ONE}/answers")
def answer(visit: PostDep, prep_id: str, adjustment_id: str) -> Response:
    """Answer the step that is due; what was typed for a step that is not due is kept until it is."""
    form = visit.form
    given = form.read(texts=("step", "answer", "consent"))
    note = form.text("found") if given["answer"] == NO_LOCK and form.text("found") else form.text("note")

    def change() -> None:
        try:
            guide.answer_step(visit.record, prep_id, adjustment_id, **given, note=note, who=visit.who)
        except ShimwiseError:
            if given["step"] == MOVE:
                form.set("typed_move", given["answer"])
            raise

    return _changed(visit, prep_id, adjustment_id, change, step="")


@router.post(f"{ONE}/peak")
async def keep_peak(visit: VisitDep, prep_id: str, adjustment_id: str) -> Response:
    """Keep where it is sharpest along the screw: of a sweep, kept or as a file, else as seen by eye."""
    async with visit.request.form(max_files=1) as sent:
        file = sent.get("sweep")
        content = await file.read(LARGEST_SWEEP) if isinstance(file, UploadFile) and file.filename else b""
        visit.form = Form.of(sent)

    def change() -> None:
        form, sweep = visit.form, None
        if form.text("by") == "kept" and not form.text("sweep_id"):
            raise InputError("Choose the sweep that tells the peak.", field="sweep_id")
        if content or form.text("by") == "frames":
            sweep = _sweep_of(content)
        found = form.read(texts=("sweep_id", "sharpest"))
        guide.keep_peak(visit.record, prep_id, adjustment_id, sweep=sweep, **found, who=visit.who)

    return await run_in_threadpool(_changed, visit, prep_id, adjustment_id, change)


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


@router.post(f"{ONE}/take-back")
def take_back(visit: PostDep, prep_id: str, adjustment_id: str) -> Response:
    """Take a step back, and those after it, with a reason."""
    given = {name: visit.form.text(name) for name in ("step", "reason")}

    def change() -> None:
        guide.take_back(visit.record, prep_id, adjustment_id, **given, who=visit.who)

    return _changed(visit, prep_id, adjustment_id, change, reason="back_reason", step="")


@router.post(f"{ONE}/give-up")
def give_up(visit: PostDep, prep_id: str, adjustment_id: str) -> Response:
    """Give the adjustment up before anything was moved, with a reason."""

    def change() -> None:
        reason = visit.form.text("reason")
        guide.give_up(visit.record, prep_id, adjustment_id, reason=reason, who=visit.who)

    return _changed(visit, prep_id, adjustment_id, change, reason="up_reason")


@router.post(f"{ONE}/finish")
def finish(visit: PostDep, prep_id: str, adjustment_id: str) -> Response:
    """Finish the adjustment: the unit is another one from now on."""

    def change() -> None:
        guide.finish_adjustment(visit.record, prep_id, adjustment_id, who=visit.who)
        visit.ask(prep_id)

    return _changed(visit, prep_id, adjustment_id, change)


def _path(prep_id: str, adjustment_id: str) -> str:
    return f"/preps/{prep_id}/adjust/{adjustment_id}"


def _choosing(visit: Visit, prep: PrepView) -> Response:
    judged = (*prep.verdict.bodies, *prep.verdict.lenses) if prep.verdict else ()
    lines = {(one.kind, one.name): one for one in judged}
    units = [
        (f"{one.kind}:{one.id}", one, lines.get((one.kind, one.name))) for one in (*prep.bodies, *prep.lenses)
    ]
    out = [titled(one.kind, one.name) for _, one, line in units if line and line.verdict in OUT]
    chosen = next((one for key, one, _ in units if key == visit.form.text("unit")), None)
    if not prep.is_open:
        sentence = f"{prep.title} is {prep.state}: nothing is adjusted until it is reopened."
    elif chosen is not None:
        sentence = f"{titled(chosen.kind, chosen.name)}: adjust it step by step."
    elif out:
        sentence = f"{', '.join(out)}: judged out, and can be adjusted."
    else:
        sentence = "No unit is judged out: nothing has to be adjusted."
    kept = [*reversed(guide.adjustments(visit.record, prep.id))]
    return visit.show("adjust/begin.html", sentence=sentence, prep=prep, units=units, kept=kept)


def _changed(
    visit: Visit, prep_id: str, adjustment_id: str, change: Callable[[], None], **fields: str
) -> Response:
    """Change an adjustment and show what is due now, or what was refused beside the page's ``fields``."""
    typed_move = visit.form.text("typed_move")
    try:
        change()
    except ShimwiseError as error:
        visit.refuse(error, fields=fields)
        beside = BESIDE.get(type(error))
        if beside:
            visit.form.refused[beside] = visit.form.refused.pop("")
        return _guide(visit, prep_id, adjustment_id)
    if not visit.is_scripted:
        kept = f"?typed_move={quote(typed_move)}" if typed_move else ""
        return visit.go(f"{_path(prep_id, adjustment_id)}{kept}")
    who = visit.actor or visit.name
    visit.page.person, visit.form = visit.name, Form.filled(typed_move=typed_move)
    return remember(_guide(visit, prep_id, adjustment_id), who)


def _guide(visit: Visit, prep_id: str, adjustment_id: str) -> Response:
    record = visit.record
    view = guide.adjustment(record, prep_id, adjustment_id)
    prep = preps.open_prep(record, prep_id)
    if view.state == FINISHED and prep.is_open:
        visit.judge_now(prep)
    rechecks = [one for one in recheck.recheck(record, prep_id) if one.adjustment_id == view.id]
    sentence, second = _due(view, is_read_again=bool(rechecks) and all(one.is_done for one in rechecks))
    return visit.show_filming(
        "adjust/guide.html" if visit.is_scripted else "adjust/page.html",
        sentence=sentence,
        second=second,
        prep=prep,
        view=view,
        is_part=visit.is_scripted,
        changes=_changes(view),
        rechecks=rechecks,
        pairs=[one for one in recheck.before_after(record, prep_id) if one.adjustment_id == view.id],
    )


def _due(view: AdjustmentView, *, is_read_again: bool) -> tuple[str, str]:
    """Return what is due, or how it ended; ``is_read_again``: whether its re-check is done."""
    unit, now = titled(view.unit_kind, view.unit), view.now
    if view.state == FINISHED:
        if view.amount_um is None:
            return f"{unit} was sent out; read it again when it is back.", ""
        half_um = Z95 * (view.amount_sd_um or 0.0)
        moved = f"{unit} was moved by {signed(view.amount_um)} ± {half_um:.0f} µm; now read it again."
        if is_read_again:
            moved = f"{unit} was moved, and has been read again."
        return moved, _otherwise(view, view.amount_um, half_um)
    if view.state == STOPPED:
        return f"{unit} stays locked: it was not moved.", "Ask its owner about the lock, or send it out."
    if view.state != BEGUN:
        return f"The adjustment of {unit} was given up; it was not moved.", ""
    if now is None:
        return f"Every step on {unit} is answered: finish the adjustment.", ""
    return sentences(now.text)


def _otherwise(view: AdjustmentView, made_um: float, half_um: float) -> str:
    """Return what the verdict asked for if a move differs from it; empty if it agrees, or a peak led it."""
    move = view.move
    asked_half_um = Z95 * move.amount_sd_um
    if move.peak or abs(made_um - move.amount_um) <= math.hypot(half_um, asked_half_um):
        return ""
    asked = f"{signed(move.amount_um)} ± {asked_half_um:.0f} µm"
    return f"The verdict asked for {asked}; the re-check shows whether the move was right."


def _changes(view: AdjustmentView) -> list[tuple[str, str]]:
    """Return the move in words, as terms and their values; once it is made, beside what was planned."""
    move = view.move
    made = next((one.answer for one in view.steps if one.id == "move" and one.is_done), "")
    lines = [("Made", capital(made))] if made else []
    lines.append(
        ("By the verdict" if made or move.peak or view.state == STOPPED else "Change", capital(move.words))
    )
    if move.turns is not None and view.state != STOPPED:
        sd = f", ± {720 * move.turns_sd:.0f}°" if move.turns_sd else ""
        turn = "By the peak, turn" if move.peak else "Turn, as planned" if made else "Turn"
        lines += [(turn, f"{move.turn}{sd}"), ("Approach", move.approach)]
    for term, shims in (("Put in", move.put_in_um), ("Take out", move.taken_out_um)):
        if shims:
            lines.append((term, f"{' + '.join(map(number, shims))} µm"))
    if move.leftover_um is not None:
        lines.append(("Left over", f"{signed(move.leftover_um)} µm"))
    if move.order:
        lines.append(("To order", ", ".join(f"{count} of {number(size)} µm" for size, count in move.order)))
    if view.screw is not None:
        lines.append(("The screw before this move" if made else "The screw", view.screw.words))
    return lines
