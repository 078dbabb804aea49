"""How well people repeat: private to the person and the leads, nameless for everybody else."""

from typing import Annotated

from fastapi import Query

from shimwise.bench.history import operators
from shimwise.bench.history.operator_views import HouseRepeatability, OperatorView
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import CallDep
from shimwise.web.api.kinds import PLAIN
from shimwise.web.problems import documented

router = AnswerRouter(tags=["repeatability"], responses=documented(422, 503))
Name = Annotated[str, Query(min_length=1, max_length=80, pattern=PLAIN, examples=["R. Okafor"])]
MaybeName = Annotated[
    str,
    Query(
        max_length=80,
        pattern=PLAIN,
        description="Who asks; believed in a house without a keeper, else who is signed in counts.",
    ),
]


@router.get("/repeatability", responses=documented(401, 403, 409))
def repeatability(call: CallDep, name: Name, who: Name) -> OperatorView:
    """Compute how well a person repeats: private to the person and the leads."""
    return operators.repeatability(call.record, name=name, who=call.who(who))


@router.get("/repeatability/house")
def house_repeatability(call: CallDep, who: MaybeName = "") -> HouseRepeatability:
    """Compute how well the house repeats, without names; everybody by name to a lead alone."""
    return operators.house_repeatability(call.record, who=call.who(who))
