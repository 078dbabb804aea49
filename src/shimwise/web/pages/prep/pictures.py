"""Landings by picture that are entered by hand: what the meter measured on another machine."""

import uuid
from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.prep import preps
from shimwise.bench.prep.preview import LandingBeyond
from shimwise.bench.prep.readings import add_reading
from shimwise.bench.prep.views import ReadingView
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PostDep, VisitDep, remember
from shimwise.web.pages.forms import Form
from shimwise.web.pages.prep.prep import changed_part, show_part
from shimwise.web.pages.view import number, rounded

router = APIRouter(prefix="/preps/{prep_id}")
TEXTS = ("lens_id", "setup_id", "axis", "setting", "note", "corrects", "reason")
NUMBERS = ("focal_mm", "fnumber")
NEEDED = ("landing_um", "landing_sd_um")
WHAT = ("lens_id", "setup_id", "landing_um", "landing_sd_um", "focal_mm", "axis")
"""Fields that decide where it lands: a yes to one is no yes to another."""


@router.get("/pictures")
def show_pictures(visit: VisitDep, prep_id: str) -> Response:
    """Show the form, empty."""
    return show_part(visit, prep_id, "pictures")


@router.post("/pictures")
def add_picture(visit: PostDep, prep_id: str) -> Response:
    """Keep a landing by picture; ask if it lies too far off."""
    form, who = visit.form, visit.actor or visit.name
    entered = "|".join(form.text(name) for name in WHAT)
    try:
        taken: dict[str, Any] = form.read(texts=TEXTS, numbers=NUMBERS)
        taken |= {name: form.needed(name) for name in NEEDED}
        setups = preps.open_prep(visit.record, prep_id).setups
        body_id = next((one.body_id for one in setups if one.id == taken["setup_id"]), "")
        saved = add_reading(
            visit.record,
            prep_id,
            id=form.text("id") or None,
            body_id=body_id,
            operator=visit.name,
            by=visit.actor,
            asks=form.text("sure") != entered,
            **taken,
        )
    except LandingBeyond as error:
        form.set("sure", entered)
        form.refused["landing_um"] = (
            f"Farther than body and lens go together, about {rounded(error.farthest_um)} µm here: is the "
            "figure right?"
        )
        visit.status = 422
        return remember(show_part(visit, prep_id, "pictures", picture_form=form), who)
    except ShimwiseError as error:
        visit.refuse(error, status=422, fields={"body_id": "setup_id", "distance_text": "setup_id"})
        return remember(show_part(visit, prep_id, "pictures", picture_form=form), who)
    again = Form.filled(**{name: form.get(name) for name in ("setup_id", "lens_id", "setting")})
    values = {"picture_form": again, "saved_picture": saved.view}
    return remember(changed_part(visit, prep_id, "pictures", **values), who)


def correcting_picture(reading: ReadingView) -> Form:
    """Fill the form with a landing by picture that is to be corrected."""
    return Form.filled(
        id=uuid.uuid4().hex,
        corrects=reading.id,
        corrects_number=reading.number,
        setup_id=reading.setup_id,
        lens_id=reading.lens_id,
        focal_mm=number(reading.focal_mm) if reading.is_zoom else None,
        axis=reading.axis,
        fnumber=number(reading.fnumber) if reading.is_stopped_down else None,
        landing_um=number(reading.landing_um),
        landing_sd_um=number(reading.picture_sd_um),
        setting=reading.setting,
        note=reading.note,
    )
