"""A prep's page and its live parts: the sentence, the picture, the readings, and the values of the pad."""

import json
import uuid
from typing import Any

from fastapi import APIRouter
from markupsafe import Markup
from starlette.responses import Response

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.prep import preps
from shimwise.bench.prep import readings as prep_readings
from shimwise.bench.prep.views import PrepView, SavedReading
from shimwise.bench.sign import signing
from shimwise.bench.sign.views import SignOffView
from shimwise.bench.verdict import pictures, recheck
from shimwise.bench.verdict.recheck_views import RecheckView
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PostDep, Visit, VisitDep, remember, see
from shimwise.web.pages.forms import Form

router = APIRouter(prefix="/preps/{prep_id}")
PATIENCE = 12
"""After as many requests for a verdict it is judged at once, so that a refusal is shown."""
JUDGED = {"HX-Trigger": json.dumps({"shimwise:judged": {}})}
CHANGED = {"HX-Trigger": json.dumps({"shimwise:changed": {}})}
BESIDE = {
    "distance_text": "the taped distance is typed",
    "focal_mm": "the focal length of the zoom is typed",
    "axis": "the axis is chosen",
    "fnumber": "the stop is a number",
}
"""Fields beside a reading: an error of one is shown there, and below it what the landing waits for."""


@router.get("")
def show(visit: VisitDep, prep_id: str, withdraw: str = "") -> Response:
    """Show a prep; a reading that another page asked for is chosen on the pad."""
    prep = preps.open_prep(visit.record, prep_id)
    _ask(visit, prep)
    values = values_of(visit, prep, form=_asked_form(prep, visit.form))
    return visit.show("prep/page.html", **{**values, "withdrawing": withdraw})


@router.get("/verdict")
def verdict(visit: VisitDep, prep_id: str, tries: int = 0) -> Response:
    """Render the sentence, and with it the units, the advice and what to read next."""
    prep = preps.open_prep(visit.record, prep_id)
    if _is_behind(prep):
        if visit.judge is None or tries >= PATIENCE:
            visit.judge_now(prep)
            prep = preps.open_prep(visit.record, prep_id)
        else:
            _ask(visit, prep)
    headers = JUDGED if tries and not _is_behind(prep) else None
    return visit.show(
        "prep/verdict_parts.html", headers=headers, **{**values_of(visit, prep), "tries": tries + 1}
    )


@router.get("/rail")
def rail(visit: VisitDep, prep_id: str) -> Response:
    """Draw the landings, as wide as they are shown."""
    prep = preps.open_prep(visit.record, prep_id)
    picture, rows = "", tuple[pictures.LandingsRow, ...]()
    if pictures.has_landings(prep):
        svg = pictures.prep_landings_svg(prep, theme=visit.theme, width_px=visit.width_px)
        picture, rows = Markup(svg), pictures.landings_rows(prep)  # noqa: S704 - our own drawing
    return visit.show("prep/rail.html", prep=prep, picture=picture, picture_rows=rows)


@router.get("/landings.svg")
def landings_svg(visit: VisitDep, prep_id: str, theme: str = "paper") -> Response:
    """Return the picture of the landings as a file."""
    svg = pictures.landings_svg(visit.record, prep_id, theme=theme, width_px=visit.width_px)
    return Response(svg, media_type="image/svg+xml", headers={"Cache-Control": "no-store"})


@router.get("/readings")
def readings(visit: VisitDep, prep_id: str, withdraw: str = "") -> Response:
    """Render the list of readings; one of them with the form that withdraws it."""
    prep = preps.open_prep(visit.record, prep_id)
    return visit.show("prep/readings.html", prep=prep, withdrawing=withdraw, refused="")


@router.get("/preview")
def preview(visit: VisitDep, prep_id: str) -> Response:
    """Render the landing of a reading while it is typed."""
    query, typed = visit.form, visit.form.text("reading_text")
    values: dict[str, Any] = {"preview": None, "saved": None, "refused": "", "is_offset": False}
    if typed:
        try:
            values["preview"] = prep_readings.preview_landing(visit.record, prep_id, **_taken(query))
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
    """Keep a reading, and answer with its landing and the form for the next one."""
    form, who = visit.form, visit.who
    try:
        saved = prep_readings.add_reading(
            visit.record,
            prep_id,
            id=form.text("id") or None,
            operator=who,
            **form.read(texts=("stop", "note"), numbers=["age_s"]),
            **_taken(form),
        )
    except ShimwiseError as error:
        visit.refuse(error, fields={"age_s": ""})  # 503 if the record is away: it waits on the device
        return show_part(visit, prep_id, "read", form=form)
    visit.ask(prep_id)
    if not visit.is_scripted:
        return visit.go(f"/preps/{prep_id}#read")
    visit.page.person = who
    prep = preps.open_prep(visit.record, prep_id)
    values = values_of(visit, prep, form=_next_form(form, saved), saved=saved)
    return remember(visit.show("prep/read.html", headers=CHANGED, **values), who)


@router.post("/readings/{reading_id}/withdraw")
def withdraw(visit: PostDep, prep_id: str, reading_id: str) -> Response:
    """Withdraw a reading, with its reason."""
    try:
        prep_readings.withdraw_reading(
            visit.record, reading_id, reason=visit.form.text("reason"), who=visit.who, prep_id=prep_id
        )
    except ShimwiseError as error:
        visit.refuse(error, status=422)
        refused = next(iter(visit.form.refused.values()), str(error))
        return show_part(visit, prep_id, "readings", withdrawing=reading_id, refused=refused)
    return changed_part(visit, prep_id, "readings")


@router.post("/readings/{reading_id}/restore")
def restore(visit: PostDep, prep_id: str, reading_id: str) -> Response:
    """Take a withdrawn reading back in."""
    prep_readings.undo_withdraw(visit.record, reading_id, who=visit.who, prep_id=prep_id)
    return changed_part(visit, prep_id, "readings")


@router.post("/close")
def close(visit: PostDep, prep_id: str) -> Response:
    """Close the prep."""
    preps.close_prep(visit.record, prep_id, who=visit.who)
    return see(f"/preps/{prep_id}")


@router.post("/reopen")
def reopen(visit: PostDep, prep_id: str) -> Response:
    """Open the prep again."""
    preps.reopen_prep(visit.record, prep_id, who=visit.who)
    return see(f"/preps/{prep_id}")


def changed_part(visit: Visit, prep_id: str, part: str) -> Response:
    """Answer a change of a prep: the part that changed where a script asks, else its page again."""
    prep = preps.open_prep(visit.record, prep_id)
    if _is_behind(prep):
        visit.ask(prep_id)
    if not visit.is_scripted:
        return see(f"/preps/{prep_id}#{part}")
    return visit.show(f"prep/{part}.html", headers=CHANGED, **values_of(visit, prep))


def show_part(visit: Visit, prep_id: str, part: str, **values: Any) -> Response:  # noqa: ANN401
    """Show a part of a prep's page where a script asks for it, else the whole page."""
    known = values_of(visit, preps.open_prep(visit.record, prep_id))
    template = f"prep/{part}.html" if visit.is_scripted else "prep/page.html"
    return visit.show(template, **{**known, **values})


def values_of(
    visit: Visit, prep: PrepView, *, form: Form | None = None, saved: SavedReading | None = None
) -> dict[str, Any]:
    """Return all that the parts of a prep's page are rendered from."""
    sweeps = getattr(visit.request.app.state, "sweeps", None)
    rechecks = _rechecks(visit.record, prep)
    return {
        "prep": prep,
        "form": form or _first_form(prep, rechecks),
        "rechecks": rechecks,
        "has_landings": pictures.has_landings(prep),
        "saved": saved,
        "preview": None,
        "refused": "",
        "is_offset": False,
        "withdrawing": "",
        "gauge_form": Form(),
        "sweep_form": Form(),
        "jobs": sweeps.jobs(prep.id) if sweeps is not None else (),
        "tries": 0,
        "standing": _standing(visit.record, prep),
    }


def _standing(record: Record, prep: PrepView) -> SignOffView | None:
    """Return the signature in force, of a prep that is signed."""
    if prep.state != "signed":
        return None
    return next((one for one in signing.sign_offs(record, prep.id) if one.is_standing), None)


def _taken(form: Form) -> dict[str, Any]:
    """Return where and how a reading was taken."""
    setup_id, texts = form.text("setup_id"), ("body_id", "lens_id", "reading_text", "axis")
    return {
        **form.read(texts=texts, numbers=("focal_mm", "fnumber")),
        "setup_id": setup_id or None,
        "distance_text": "" if setup_id else form.text("distance_text"),
    }


def _rechecks(record: Record, prep: PrepView) -> tuple[RecheckView, ...]:
    """Return what is still to be read of units that were adjusted."""
    if not prep.is_open or not any(unit.epoch for unit in (*prep.bodies, *prep.lenses)):
        return ()
    return tuple(one for one in recheck.recheck(record, prep.id) if not one.is_done)


def _asked_form(prep: PrepView, query: Form) -> Form | None:
    """Choose the reading that a link of another page asks for; None where it asks for none of this prep."""
    bodies, lenses = ({unit.id for unit in units} for units in (prep.bodies, prep.lenses))
    if query.text("body") not in bodies or query.text("lens") not in lenses:
        return None
    is_taped = query.text("setup") in {setup.id for setup in prep.setups}
    return Form.filled(
        id=uuid.uuid4().hex,
        body_id=query.text("body"),
        lens_id=query.text("lens"),
        setup_id=query.text("setup") if is_taped else "",
        distance_text="" if is_taped else query.text("distance"),
    )


def _first_form(prep: PrepView, rechecks: tuple[RecheckView, ...]) -> Form:
    """Choose what an adjusted unit must be read with again, else the most informative, else the newest."""
    after_move = next((one for view in rechecks for one in view.readings), None)
    best = prep.verdict.next[0] if prep.verdict and prep.verdict.next else None
    upcoming, new_id = after_move or best, uuid.uuid4().hex
    if upcoming is not None and upcoming.body_id and upcoming.lens_id:
        return Form.filled(
            id=new_id,
            body_id=upcoming.body_id,
            lens_id=upcoming.lens_id,
            setup_id=upcoming.setup_id,
            distance_text=None if upcoming.setup_id else upcoming.distance_text,
        )
    last = prep.readings[-1] if prep.readings else None
    if last is not None:
        return Form.filled(id=new_id, body_id=last.body_id, lens_id=last.lens_id, setup_id=last.setup_id)
    body_id = prep.bodies[0].id if prep.bodies else ""
    own = [setup for setup in prep.setups if setup.body_id == body_id]
    lens_id = prep.lenses[0].id if prep.lenses else ""
    return Form.filled(id=new_id, body_id=body_id, lens_id=lens_id, setup_id=own[-1].id if own else "")


def _next_form(form: Form, saved: SavedReading) -> Form:
    """Keep body, lens and set-up for the next reading; a new distance is taped by now."""
    after = Form()
    after.set("id", uuid.uuid4().hex)
    for name in ("body_id", "lens_id", "focal_mm", "fnumber", "axis", "stop"):
        after.values[name] = list(form.values.get(name, []))
    after.set("setup_id", saved.view.setup_id)
    return after


def _ask(visit: Visit, prep: PrepView) -> None:
    judge = visit.judge
    if judge is not None and _is_behind(prep) and not judge.is_waiting(prep.id):
        judge.ask(prep.id)


def _is_behind(prep: PrepView) -> bool:
    """Whether there is something to judge that the verdict does not include."""
    return pictures.has_landings(prep) and (prep.verdict is None or not prep.verdict.is_current)
