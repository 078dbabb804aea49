"""A prep's page and its live parts: the sentence, the picture, the readings, and what the pad is told."""

import json
import uuid
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from shimwise.bench.prep import preps
from shimwise.bench.prep import readings as prep_readings
from shimwise.bench.sign import signing
from shimwise.bench.verdict import pictures, recheck
from shimwise.bench.verdict import verdict as verdicts
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
from shimwise.web.pages.view import Page, person_of, render, theme_of
from shimwise.web.problems import status_of

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.prep.views import PrepView, SavedReading
    from shimwise.bench.sign.views import SignOffView
    from shimwise.bench.verdict.judge_service import JudgeService
    from shimwise.bench.verdict.recheck_views import RecheckView

__all__ = ["router", "values_of"]

router = APIRouter(prefix="/preps/{prep_id}")
DEFAULT_PX, MOST_PX, LEAST_PX = 680, 1100, 300
PATIENCE = 12
"""After as many looks for a verdict it is judged at once, so that a refusal is told."""
JUDGED = {"HX-Trigger": json.dumps({"shimwise:judged": {}})}
CHANGED = {"HX-Trigger": json.dumps({"shimwise:changed": {}})}
BESIDE = {
    "distance_text": "the taped distance is typed",
    "focal_mm": "the focal length of the zoom is typed",
    "axis": "the axis is chosen",
    "fnumber": "the stop is a number",
}
"""Fields beside a reading: what is wrong with one is said there, and what its landing waits for below."""


@router.get("")
def show(
    request: Request,
    record: RecordDep,
    judge: JudgeDep,
    page: PageDep,
    query: QueryDep,
    prep_id: str,
    withdraw: str = "",
) -> Response:
    """Show a prep; a reading that another page asked for stands chosen on the pad."""
    prep = preps.open_prep(record, prep_id)
    _ask(judge, prep)
    page.way = "preps"
    values = values_of(request, prep, form=_asked_form(prep, query))
    return render(request, "prep/page.html", page, **{**values, "withdrawing": withdraw})


@router.get("/verdict")
def verdict(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, prep_id: str, tries: int = 0
) -> Response:
    """Give the sentence, and with it the units, the advice and what to read next."""
    prep = preps.open_prep(record, prep_id)
    if _is_behind(prep):
        if judge is None or tries >= PATIENCE:
            try:
                verdicts.refresh_verdict(record, prep_id)
            except ShimwiseError as error:
                page.problem = f"No verdict can be given: {error}"
            prep = preps.open_prep(record, prep_id)
        else:
            _ask(judge, prep)
    values = {**values_of(request, prep), "tries": tries + 1}
    headers = JUDGED if tries and not _is_behind(prep) else None
    return render(request, "prep/verdict_parts.html", page, headers=headers, **values)


@router.get("/rail")
def rail(
    request: Request, record: RecordDep, page: PageDep, prep_id: str, width: int = DEFAULT_PX
) -> Response:
    """Give the picture of the landings, as wide as it is shown."""
    prep = preps.open_prep(record, prep_id)
    picture, rows = "", tuple[pictures.LandingsRow, ...]()
    if pictures.has_landings(prep):
        wide = min(max(width, LEAST_PX), MOST_PX)
        theme = theme_of(request, page.theme)
        picture = Markup(pictures.prep_landings_svg(prep, theme=theme, width_px=wide))  # noqa: S704
        rows = pictures.landings_rows(prep)
    return render(request, "prep/rail.html", page, prep=prep, picture=picture, picture_rows=rows)


@router.get("/landings.svg")
def landings_svg(record: RecordDep, prep_id: str, theme: str = "paper", width: int = DEFAULT_PX) -> Response:
    """Give the picture of the landings as a file."""
    wide = min(max(width, LEAST_PX), MOST_PX)
    svg = pictures.landings_svg(record, prep_id, theme=theme, width_px=wide)
    return Response(svg, media_type="image/svg+xml", headers={"Cache-Control": "no-store"})


@router.get("/readings")
def readings(
    request: Request, record: RecordDep, page: PageDep, prep_id: str, withdraw: str = ""
) -> Response:
    """Give the list of readings; one of them with the form that withdraws it."""
    prep = preps.open_prep(record, prep_id)
    return render(request, "prep/readings.html", page, prep=prep, withdrawing=withdraw, refused="")


@router.get("/preview")
def preview(request: Request, record: RecordDep, page: PageDep, query: QueryDep, prep_id: str) -> Response:
    """Say what a reading would land at, while it is typed."""
    told: dict[str, Any] = {"preview": None, "saved": None, "refused": "", "is_offset": False}
    typed = query.text("reading_text")
    if typed:
        try:
            told["preview"] = prep_readings.preview_landing(
                record, prep_id, body_id=query.text("body_id"), lens_id=query.text("lens_id"), **_taken(query)
            )
            told["is_offset"] = typed.casefold().startswith(("short", "deep"))
        except ShimwiseError as error:
            query.refuse(error)
            waits_for = next((BESIDE[name] for name in BESIDE if name in query.refused), "")
            if waits_for:
                told["waits_for"] = f"Its landing shows when {waits_for}."
            else:
                told["refused"] = next(iter(query.refused.values()), str(error))
    told["beside"] = {name: query.refused.get(name, "") for name in BESIDE}
    return render(request, "prep/answer.html", page, **told)


@router.post("/readings")
def add_reading(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, form: PostedDep, prep_id: str
) -> Response:
    """Keep a reading, and answer with its landing and the form for the next one."""
    who = who_of(request, form)
    saved: SavedReading | None = None
    status = 200
    try:
        saved = prep_readings.add_reading(
            record,
            prep_id,
            id=form.text("id") or None,
            body_id=form.text("body_id"),
            lens_id=form.text("lens_id"),
            operator=who,
            stop=form.text("stop"),
            note=form.text("note"),
            age_s=form.number("age_s"),
            **_taken(form),
        )
    except ShimwiseError as error:
        form.refuse(error, fields={"age_s": ""})
        status = status_of(error)  # a record that is away or full says no to nothing: the reading waits
    prep = preps.open_prep(record, prep_id)
    if saved is None:
        page.person = person_of(request)
        values = values_of(request, prep, form=form)
        if "HX-Request" in request.headers:
            return render(request, "prep/read.html", page, status=status, **values)
        return render(request, "prep/page.html", page, status=status, **values)
    if judge is not None:
        judge.ask(prep_id)
    if "HX-Request" not in request.headers:
        return remember(see(f"/preps/{prep_id}#read"), who)
    page.person = who
    after = _next_form(form, saved)
    values = values_of(request, prep, form=after, saved=saved)
    return remember(render(request, "prep/read.html", page, headers=CHANGED, **values), who)


@router.post("/readings/{reading_id}/withdraw")
def withdraw(
    request: Request,
    record: RecordDep,
    judge: JudgeDep,
    page: PageDep,
    form: PostedDep,
    prep_id: str,
    reading_id: str,
) -> Response:
    """Withdraw a reading, with its reason."""
    refused = ""
    try:
        prep_readings.withdraw_reading(
            record, reading_id, reason=form.text("reason"), who=who_of(request, form), prep_id=prep_id
        )
    except ShimwiseError as error:
        form.refuse(error)
        refused = next(iter(form.refused.values()), str(error))
    return _readings_after(request, record, judge, page, prep_id, withdrawing=reading_id, refused=refused)


@router.post("/readings/{reading_id}/restore")
def restore(
    request: Request,
    record: RecordDep,
    judge: JudgeDep,
    page: PageDep,
    form: PostedDep,
    prep_id: str,
    reading_id: str,
) -> Response:
    """Take a withdrawn reading back in."""
    prep_readings.undo_withdraw(record, reading_id, who=who_of(request, form), prep_id=prep_id)
    return _readings_after(request, record, judge, page, prep_id, withdrawing="", refused="")


@router.post("/close")
def close(request: Request, record: RecordDep, form: PostedDep, prep_id: str) -> Response:
    """Close the prep."""
    preps.close_prep(record, prep_id, who=who_of(request, form))
    return see(f"/preps/{prep_id}")


@router.post("/reopen")
def reopen(request: Request, record: RecordDep, form: PostedDep, prep_id: str) -> Response:
    """Open the prep again."""
    preps.reopen_prep(record, prep_id, who=who_of(request, form))
    return see(f"/preps/{prep_id}")


def values_of(
    request: Request, prep: "PrepView", *, form: Form | None = None, saved: "SavedReading | None" = None
) -> dict[str, Any]:
    """Give all that the parts of a prep's page are rendered from."""
    sweeps = getattr(request.app.state, "sweeps", None)
    rechecks = _rechecks(request.app.state.record, prep)
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
        "standing": _standing(request.app.state.record, prep),
    }


def _standing(record: "Record", prep: "PrepView") -> "SignOffView | None":
    """Give the signature that stands, of a prep that is signed."""
    if prep.state != "signed":
        return None
    return next((one for one in signing.sign_offs(record, prep.id) if one.is_standing), None)


def _readings_after(
    request: Request,
    record: "Record",
    judge: "JudgeService | None",
    page: Page,
    prep_id: str,
    *,
    withdrawing: str,
    refused: str,
) -> Response:
    prep = preps.open_prep(record, prep_id)
    if not refused:
        withdrawing = ""
        _ask(judge, prep)
    if "HX-Request" not in request.headers and not refused:
        return see(f"/preps/{prep_id}#readings")
    headers = None if refused else CHANGED
    status = 422 if refused else 200
    values = {"prep": prep, "withdrawing": withdrawing, "refused": refused}
    if "HX-Request" in request.headers:
        return render(request, "prep/readings.html", page, status=status, headers=headers, **values)
    return render(request, "prep/page.html", page, status=status, **{**values_of(request, prep), **values})


def _taken(form: Form) -> dict[str, Any]:
    """Give what a form says of where and how a reading was taken."""
    setup_id = form.text("setup_id")
    return {
        "setup_id": setup_id or None,
        "distance_text": "" if setup_id else form.text("distance_text"),
        "reading_text": form.text("reading_text"),
        "focal_mm": form.number("focal_mm"),
        "fnumber": form.number("fnumber"),
        "axis": form.text("axis"),
    }


def _rechecks(record: "Record", prep: "PrepView") -> "tuple[RecheckView, ...]":
    """Give what is still to be read of units that were adjusted."""
    if not prep.is_open or not any(unit.epoch for unit in (*prep.bodies, *prep.lenses)):
        return ()
    return tuple(one for one in recheck.recheck(record, prep.id) if not one.is_done)


def _asked_form(prep: "PrepView", query: Form) -> Form | None:
    """Choose the reading that a link of another page asks for; None where it asks for none of this prep."""
    bodies, lenses = ({unit.id for unit in units} for units in (prep.bodies, prep.lenses))
    if query.text("body") not in bodies or query.text("lens") not in lenses:
        return None
    form = Form()
    form.set("id", uuid.uuid4().hex)
    form.set("body_id", query.text("body"))
    form.set("lens_id", query.text("lens"))
    is_taped = query.text("setup") in {setup.id for setup in prep.setups}
    form.set("setup_id", query.text("setup") if is_taped else "")
    form.set("distance_text", "" if is_taped else query.text("distance"))
    return form


def _first_form(prep: "PrepView", rechecks: "tuple[RecheckView, ...]") -> Form:
    """Choose what an adjusted unit has to be read with again, else what says most next, else the newest."""
    form = Form()
    form.set("id", uuid.uuid4().hex)
    after_move = next((one for view in rechecks for one in view.readings), None)
    best = prep.verdict.next[0] if prep.verdict and prep.verdict.next else None
    upcoming = after_move or best
    if upcoming is not None and upcoming.body_id and upcoming.lens_id:
        form.set("body_id", upcoming.body_id)
        form.set("lens_id", upcoming.lens_id)
        form.set("setup_id", upcoming.setup_id)
        if not upcoming.setup_id:
            form.set("distance_text", upcoming.distance_text)
        return form
    last = prep.readings[-1] if prep.readings else None
    body_id = last.body_id if last else prep.bodies[0].id if prep.bodies else ""
    form.set("body_id", body_id)
    form.set("lens_id", last.lens_id if last else prep.lenses[0].id if prep.lenses else "")
    own = [setup for setup in prep.setups if setup.body_id == body_id]
    form.set("setup_id", last.setup_id if last else own[-1].id if own else "")
    return form


def _next_form(form: Form, saved: "SavedReading") -> Form:
    """Keep body, lens and set-up for the next reading; a new distance is taped by now."""
    after = Form()
    after.set("id", uuid.uuid4().hex)
    for name in ("body_id", "lens_id", "focal_mm", "fnumber", "axis", "stop"):
        after.values[name] = list(form.values.get(name, []))
    after.set("setup_id", saved.view.setup_id)
    return after


def _ask(judge: "JudgeService | None", prep: "PrepView") -> None:
    if judge is not None and _is_behind(prep) and not judge.is_waiting(prep.id):
        judge.ask(prep.id)


def _is_behind(prep: "PrepView") -> bool:
    """Tell whether there is something to judge that the verdict does not hold."""
    has_evidence = pictures.has_landings(prep)
    return has_evidence and (prep.verdict is None or not prep.verdict.is_current)
