"""How well people repeat: one's own figures, the house's without names, everybody's for a lead."""

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.history import operators
from shimwise.bench.history.operator_views import HouseRepeatability, OperatorView
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import VisitDep
from shimwise.web.pages.view import person_of
from shimwise.web.problems import status_of

router = APIRouter()


@router.get("/repeatability")
def show(visit: VisitDep) -> Response:
    """Show how well the person at this device repeats, or the one named, where that may be seen."""
    who, name = visit.actor or person_of(visit.request), visit.form.text("name")
    house = operators.house_repeatability(visit.record, who=who)
    one = house.own
    if name:
        try:
            one = operators.repeatability(visit.record, name=name, who=who)
        except ShimwiseError as error:
            visit.page.problem, visit.status = str(error) if who else _NAMELESS, status_of(error)
    return visit.show("repeatability.html", sentence=_sentence(house, one), house=house, one=one)


_NAMELESS = "How a person reads is private to the person and the leads. Give this device your name first."


def _sentence(house: HouseRepeatability, one: OperatorView | None) -> str:
    if one is None:
        if not house.who:
            return "Give this device your name to see how well you repeat."
        return f"Nothing that {house.who} has read is kept yet."
    is_own = house.own is not None and one.name.casefold() == house.own.name.casefold()
    whom = "You repeat" if is_own else f"{one.name} repeats"
    if one.k is None or one.repeat_sd_um is None:
        return f"{whom} nothing yet: one sight has to be read twice, with nothing touched between."
    return f"{whom} a sight to ± {one.repeat_sd_um:.1f} µm, one standard deviation."
