"""Readings on a prep's page: seen while typed, saved, taken back, corrected, noted, withdrawn."""

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.errors import NotFound
from shimwise.bench.prep import preps
from shimwise.bench.prep import readings as prep_readings
from shimwise.bench.prep.preview import LandingBeyond, preview_landing
from shimwise.bench.prep.reading_check import TypedReading
from shimwise.bench.prep.views import PrepView, ReadingView
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PostDep, Visit, VisitDep, remember
from shimwise.web.pages.forms import Form
from shimwise.web.pages.prep.next_form import correcting_form, entered_form, next_form
from shimwise.web.pages.prep.pictures import correcting_picture
from shimwise.web.pages.prep.prep import CHANGED, changed_part, show_part, values_of

router = APIRouter(prefix="/preps/{prep_id}")
BESIDE = {
    "distance_text": "the taped distance is typed",
    "focal_mm": "the focal length of the zoom is typed",
    "axis": "the axis is chosen",
    "fnumber": "the stop is a number",
}
"""Fields beside a reading: an error of one is shown there, and below it what the landing waits for."""
TAKEN_BACK = "taken back at once"
"""Why a reading is withdrawn by Undo."""
WHAT = ("body_id", "lens_id", "setup_id", "distance_text", "reading_text", "focal_mm", "fnumber", "axis")
"""Fields that decide where a reading lands."""


@router.get("/preview")
def preview(visit: VisitDep, prep_id: str) -> Response:
    """Render the landing of a reading while it is typed."""
    query, typed = visit.form, visit.form.text("reading_text")
    values: dict[str, Any] = {"preview": None, "saved": None, "refused": "", "is_offset": False}
    if typed:
        try:
            values["preview"] = preview_landing(visit.record, prep_id, TypedReading(**_taken(query)))
            values["is_offset"] = typed.casefold().startswith(("short", "deep"))
        except ShimwiseError as error:
            query.refuse(error)
            waits_for = next((BESIDE[name] for name in BESIDE if name in query.refused), "")
            if waits_for:
                values["waits_for"] = f"Its landing shows when {waits_for}."
            else:
                values["refused"] = next(iter(query.refused.values()), str(error))
    values["beside"] = {name: query.refused.get(name, "") for name in BESIDE}
    return visit.show("prep/answer.html", **values)


@router.post("/readings")
def add_reading(visit: PostDep, prep_id: str) -> Response:
    """Keep a reading, and answer with its landing and the next form; ask if it lands too far off."""
    form, name = visit.form, visit.name
    try:
        taken = _taken(form)
        saved = prep_readings.add_reading(
            visit.record,
            prep_id,
            id=form.text("id") or None,
            operator=form.text("operator") or name,
            by=visit.actor,
            asks=form.text("sure") != _summary(form),
            **form.read(texts=("stop", "note", "corrects", "reason"), numbers=["age_s", "temperature_c"]),
            **taken,
        )
    except LandingBeyond:
        form.set("sure", _summary(form))
        visit.status = 422
        seen = preview_landing(visit.record, prep_id, TypedReading(**taken))
        return show_part(visit, prep_id, "read", form=form, preview=seen, asks=True)
    except ShimwiseError as error:
        visit.refuse(error, fields={"age_s": ""})  # 503 if the record is away: it waits on the device
        return show_part(visit, prep_id, "read", form=form)
    visit.ask(prep_id)
    if not visit.is_scripted:
        return visit.go(f"/preps/{prep_id}#read")
    visit.page.person = name
    prep = preps.open_prep(visit.record, prep_id)
    values = values_of(visit, prep, form=next_form(form, saved, prep), saved=saved)
    return remember(visit.show("prep/read.html", headers=CHANGED, **values), visit.actor or name)


@router.get("/readings/{reading_id}/correct")
def correct(visit: VisitDep, prep_id: str, reading_id: str) -> Response:
    """Show a reading on the pad, or a landing by picture in its form, to be entered again."""
    prep = preps.open_prep(visit.record, prep_id)
    reading = _reading(prep, reading_id)
    if reading.is_by_picture:
        return show_part(visit, prep_id, "pictures", picture_form=correcting_picture(reading))
    return show_part(visit, prep_id, "read", form=correcting_form(reading))


@router.post("/readings/{reading_id}/undo")
def undo(visit: PostDep, prep_id: str, reading_id: str) -> Response:
    """Take back what was saved just now: it is withdrawn, and is on the pad as before."""
    prep_readings.withdraw_reading(
        visit.record, reading_id, reason=TAKEN_BACK, who=visit.who, prep_id=prep_id
    )
    visit.ask(prep_id)
    if not visit.is_scripted:
        return visit.go(f"/preps/{prep_id}#read")
    prep = preps.open_prep(visit.record, prep_id)
    values = values_of(visit, prep, form=entered_form(_reading(prep, reading_id)))
    return visit.show("prep/read.html", headers=CHANGED, **values)


@router.post("/readings/{reading_id}/note")
def note(visit: PostDep, prep_id: str, reading_id: str) -> Response:
    """Put a note to a reading."""
    words = visit.form.text("note")
    try:
        prep_readings.note_reading(visit.record, reading_id, note=words, who=visit.who, prep_id=prep_id)
    except ShimwiseError as error:
        return _refused(visit, prep_id, error, noting=reading_id)
    return changed_part(visit, prep_id, "readings")


@router.post("/readings/{reading_id}/withdraw")
def withdraw(visit: PostDep, prep_id: str, reading_id: str) -> Response:
    """Withdraw a reading, with its reason."""
    reason = visit.form.text("reason")
    try:
        prep_readings.withdraw_reading(
            visit.record, reading_id, reason=reason, who=visit.who, prep_id=prep_id
        )
    except ShimwiseError as error:
        return _refused(visit, prep_id, error, withdrawing=reading_id)
    return changed_part(visit, prep_id, "readings")


@router.post("/readings/{reading_id}/restore")
def restore(visit: PostDep, prep_id: str, reading_id: str) -> Response:
    """Take a withdrawn reading back in."""
    prep_readings.undo_withdraw(visit.record, reading_id, who=visit.who, prep_id=prep_id)
    return changed_part(visit, prep_id, "readings")


def _refused(visit: Visit, prep_id: str, error: ShimwiseError, **which: str) -> Response:
    """Show the list again, with the form that was refused open."""
    visit.refuse(error, status=422)
    refused = next(iter(visit.form.refused.values()), str(error))
    return show_part(visit, prep_id, "readings", refused=refused, **which)


def _reading(prep: PrepView, reading_id: str) -> ReadingView:
    found = next((one for one in prep.readings if one.id == reading_id), None)
    if found is None:
        raise NotFound("reading", reading_id)
    return found


def _summary(form: Form) -> str:
    """Return what decides where a reading lands: a yes to one is no yes to another."""
    return "|".join(form.text(name) for name in WHAT)


def _taken(form: Form) -> dict[str, Any]:
    """Return where and how a reading was taken."""
    setup_id, texts = form.text("setup_id"), ("body_id", "lens_id", "reading_text", "axis")
    return {
        **form.read(texts=texts, numbers=("focal_mm", "fnumber")),
        "setup_id": setup_id or None,
        "distance_text": "" if setup_id else form.text("distance_text"),
    }
