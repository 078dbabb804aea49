"""How fast the house's units are taken to wander between preps: shown, and changed with the reason."""

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.errors import InputError
from shimwise.bench.house.drift_rate import WearSettings, change_wear, wear
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PostDep, Visit, VisitDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import number

router = APIRouter()
RATES = {
    "body_month_um": "A body in a month",
    "body_job_um": "A body by a job",
    "lens_month_um": "A lens in a month",
    "lens_job_um": "A lens by a job",
}


@router.get("/settings/wear")
def show_wear(visit: VisitDep) -> Response:
    """Show the rates in force."""
    known = wear(visit.record)
    rates = {field: number(getattr(known, field)) for field in RATES}
    return _shown(visit, Form.filled(**rates, reason=known.reason))


@router.post("/settings/wear")
def keep_wear(visit: PostDep) -> Response:
    """Change the rates."""
    form = visit.form
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
            new = WearSettings(**rates, reason=form.text("reason"))
            change_wear(visit.record, settings=new, who=visit.who)
        except ShimwiseError as error:
            form.refuse(error)
    if form.refused:
        return _shown(visit, form, status=422)
    return visit.go("/settings/wear?saved=yes")


def _shown(visit: Visit, form: Form, *, status: int = 200) -> Response:
    return visit.show(
        "wear.html",
        way="settings",
        sentence="What was known of a unit fades with time and travel.",
        status=status,
        form=form,
        rates=RATES,
        is_saved=visit.request.query_params.get("saved") == "yes",
    )
