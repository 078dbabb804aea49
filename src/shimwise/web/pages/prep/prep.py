"""A prep's page and its live parts: the sentence, the picture, the readings, and the values of the pad."""

import json
from typing import Any

from fastapi import APIRouter
from markupsafe import Markup
from starlette.responses import Response

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.history.prep_reach import reach_of
from shimwise.bench.prep import preps
from shimwise.bench.prep.views import PrepView, SavedReading
from shimwise.bench.sign import signing
from shimwise.bench.sign.views import SignOffView
from shimwise.bench.verdict import pictures, recheck
from shimwise.bench.verdict.recheck_views import RecheckView
from shimwise.web.pages.deps import PostDep, Visit, VisitDep, see
from shimwise.web.pages.forms import Form
from shimwise.web.pages.prep.next_form import asked_form, first_form, read_at

router = APIRouter(prefix="/preps/{prep_id}")
PATIENCE = 12
"""After as many requests for a verdict it is judged at once, so that a refusal is shown."""
JUDGED = {"HX-Trigger": json.dumps({"shimwise:judged": {}})}
CHANGED = {"HX-Trigger": json.dumps({"shimwise:changed": {}})}


@router.get("")
def show(visit: VisitDep, prep_id: str, withdraw: str = "", note: str = "", screw: str = "") -> Response:
    """Show a prep; a reading that another page asked for is chosen, or the sweep of a body's ``screw``."""
    prep = preps.open_prep(visit.record, prep_id)
    _ask(visit, prep)
    values = values_of(visit, prep, form=asked_form(prep, visit.form))
    if screw:
        setups = [one.id for one in prep.setups if one.body_id == screw]
        values["sweep_form"] = Form.filled(moved="screw", setup_id=setups[-1] if setups else None)
    return visit.show_filming("prep/page.html", **{**values, "withdrawing": withdraw, "noting": note})


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


@router.get("/reach")
def reach(visit: VisitDep, prep_id: str, by: str = "") -> Response:
    """Write what readings by eye can reach here, or landings by picture; shown before the first reading."""
    found = reach_of(visit.record, prep_id, is_by_picture=by == "picture")
    prep = preps.open_prep(visit.record, prep_id) if found and found.landings else None
    return visit.show("prep/reach.html", reach=found, prep=prep)


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
def readings(visit: VisitDep, prep_id: str, withdraw: str = "", note: str = "") -> Response:
    """Render the list of readings; one of them with the form that withdraws it, or puts a note to it."""
    prep = preps.open_prep(visit.record, prep_id)
    return visit.show("prep/readings.html", prep=prep, withdrawing=withdraw, noting=note, refused="")


@router.get("/read")
def read(visit: VisitDep, prep_id: str) -> Response:
    """Render the pad, with what is to be read first."""
    prep = preps.open_prep(visit.record, prep_id)
    return visit.show("prep/read.html", **values_of(visit, prep))


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


def changed_part(visit: Visit, prep_id: str, part: str, **values: Any) -> Response:  # noqa: ANN401
    """Answer a change of a prep: the part that changed where a script asks, else its page again."""
    prep = preps.open_prep(visit.record, prep_id)
    if _is_behind(prep):
        visit.ask(prep_id)
    if not visit.is_scripted:
        return see(f"/preps/{prep_id}#{part}")
    return visit.show(f"prep/{part}.html", headers=CHANGED, **{**values_of(visit, prep), **values})


def show_part(visit: Visit, prep_id: str, part: str, **values: Any) -> Response:  # noqa: ANN401
    """Show a part of a prep's page where a script asks for it, else the whole page."""
    known = values_of(visit, preps.open_prep(visit.record, prep_id))
    if visit.is_scripted:
        return visit.show(f"prep/{part}.html", **{**known, **values})
    return visit.show_filming("prep/page.html", **{**known, **values})


def values_of(
    visit: Visit, prep: PrepView, *, form: Form | None = None, saved: SavedReading | None = None
) -> dict[str, Any]:
    """Return all that the parts of a prep's page are rendered from."""
    sweeps = getattr(visit.request.app.state, "sweeps", None)
    rechecks = _rechecks(visit.record, prep)
    return {
        "prep": prep,
        "form": form or first_form(prep, rechecks),
        "rechecks": rechecks,
        "has_landings": pictures.has_landings(prep),
        "saved": saved,
        "preview": None,
        "refused": "",
        "is_offset": False,
        "read_at": read_at(prep),
        "noting": "",
        "withdrawing": "",
        "gauge_form": Form(),
        "sweep_form": Form(),
        "picture_form": Form(),
        "saved_picture": None,
        "kept_before": None,
        "jobs": sweeps.jobs(prep.id) if sweeps is not None else (),
        "tries": 0,
        "standing": _valid_sign_off(visit.record, prep),
    }


def _valid_sign_off(record: Record, prep: PrepView) -> SignOffView | None:
    """Return the signature in force, of a prep that is signed."""
    if prep.state != "signed":
        return None
    return next((one for one in signing.sign_offs(record, prep.id) if one.is_standing), None)


def _rechecks(record: Record, prep: PrepView) -> tuple[RecheckView, ...]:
    """Return what is still to be read of units that were adjusted."""
    if not prep.is_open or not any(unit.epoch for unit in (*prep.bodies, *prep.lenses)):
        return ()
    return tuple(one for one in recheck.recheck(record, prep.id) if not one.is_done)


def _ask(visit: Visit, prep: PrepView) -> None:
    judge = visit.judge
    if judge is not None and _is_behind(prep) and not judge.is_waiting(prep.id):
        judge.ask(prep.id)


def _is_behind(prep: PrepView) -> bool:
    """Whether there is something to judge that the verdict does not include."""
    return pictures.has_landings(prep) and (prep.verdict is None or not prep.verdict.is_current)
