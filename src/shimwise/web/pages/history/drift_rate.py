"""How fast the house's units are taken to wander between preps: shown, and changed with the reason."""

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.house.drift_rate import WearSettings, change_wear, wear
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
    visit.form = Form.filled(**rates, reason=known.reason)
    return _shown(visit)


@router.post("/settings/wear")
def keep_wear(visit: PostDep) -> Response:
    """Change the rates."""
    form = visit.form
    form.is_collecting = True
    rates = form.read(numbers=RATES)
    for field, label in RATES.items():
        if rates[field] is None:
            form.refused.setdefault(field, f"{label} is missing: type one such as 1.5, or 0.")
    with visit.refusing(status=422):
        form.settle(lambda: None)
        new = WearSettings(**rates, reason=form.text("reason"))
        change_wear(visit.record, settings=new, who=visit.who)
        return visit.go("/settings/wear?saved=yes")
    return _shown(visit)


def _shown(visit: Visit) -> Response:
    return visit.show(
        "wear.html",
        sentence="What was known of a unit fades with time and travel.",
        rates=RATES,
        is_saved=visit.request.query_params.get("saved") == "yes",
    )
