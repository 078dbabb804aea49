"""The planning page: what to tape and read, before the first reading."""

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.history.house_plan import DEFAULT_TARGET_UM, HousePlan, plan_house
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.web.pages.deps import VisitDep
from shimwise.web.pages.view import number

router = APIRouter()
MOST_UNITS = 48


@router.get("/plan")
def show(visit: VisitDep) -> Response:
    """Show the form, and the plan that it asks for."""
    record, query = visit.record, visit.form
    plan: HousePlan | None = None
    query.fill(target_um=number(DEFAULT_TARGET_UM), set_id=query.text("set"))
    if query.text("make"):
        with visit.refusing(status=422):
            plan = plan_house(
                record,
                body_ids=query.all("body_ids"),
                set_id=query.text("set_id"),
                lens_ids=query.all("lens_ids"),
                target_um=query.number("target_um") or DEFAULT_TARGET_UM,
                is_by_picture=query.text("by") == "picture",
                distances=[part.strip() for part in query.text("distances").split(";") if part.strip()],
            )
    return visit.show(
        "plan.html",
        sentence=plan.headline if plan else "Which readings say enough, before the first one is taken?",
        plan=plan,
        bodies=units.list_units(record, BodyFacts, limit=MOST_UNITS).units,
        sets=units.list_sets(record, limit=MOST_UNITS).sets,
        lenses=units.list_units(record, LensFacts, limit=2 * MOST_UNITS).units,
    )
