"""How fast the house's units are taken to wander between preps: shown, and changed with the reason."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.responses import Response

from shimwise.bench.errors import InputError
from shimwise.bench.house.drift_rate import WearSettings, change_wear, wear
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PageDep, PostedDep, RecordDep, remember, see, who_of
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import number, render

if TYPE_CHECKING:
    from shimwise.web.pages.view import Page

__all__ = ["router"]

router = APIRouter()
RATES = {
    "body_month_um": "A body in a month",
    "body_job_um": "A body by a job",
    "lens_month_um": "A lens in a month",
    "lens_job_um": "A lens by a job",
}


@router.get("/settings/wear")
def show_wear(request: Request, record: RecordDep, page: PageDep) -> Response:
    """Show the rates in force."""
    known, form = wear(record), Form()
    for field in RATES:
        form.set(field, number(getattr(known, field)))
    form.set("reason", known.reason)
    return _shown(request, page, form)


@router.post("/settings/wear")
def keep_wear(request: Request, record: RecordDep, page: PageDep, form: PostedDep) -> Response:
    """Change the rates."""
    who = who_of(request, form)
    rates: dict[str, float] = {}
    for field, label in RATES.items():
        try:
            rate = form.number(field)
            if rate is None:
                raise InputError(f"{label} is missing: type one such as 1.5, or 0.", field=field)
            rates[field] = rate
        except ShimwiseError as error:
            form.refuse(error)
    if not form.refused:
        try:
            change_wear(record, settings=WearSettings(**rates, reason=form.text("reason")), who=who)
        except ShimwiseError as error:
            form.refuse(error)
    if form.refused:
        return _shown(request, page, form, status=422)
    return remember(see("/settings/wear?saved=yes"), who)


def _shown(request: Request, page: "Page", form: Form, *, status: int = 200) -> Response:
    page.way = "settings"
    page.sentence = "What was known of a unit fades with time and travel."
    is_saved = request.query_params.get("saved") == "yes"
    return render(request, "wear.html", page, status=status, form=form, rates=RATES, is_saved=is_saved)
