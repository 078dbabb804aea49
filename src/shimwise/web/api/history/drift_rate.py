"""Rates at which the house's units wander between preps."""

from typing import Annotated

from pydantic import Field, StringConstraints

from shimwise.bench.house import drift_rate as rates
from shimwise.bench.house.drift_rate import WearSettings
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.kinds import PLAIN, In, Who
from shimwise.web.problems import documented

router = AnswerRouter(tags=["house"], responses=documented(422, 503))
Reason = Annotated[
    str,
    StringConstraints(min_length=1, max_length=80, pattern=PLAIN),
    Field(examples=["drift charts of the last year"]),
]
Rate = Annotated[float, Field(ge=0, le=100, examples=[1.5])]


class WearIn(In):
    """Other rates, all of them, with the reason. [µm, standard deviation]"""

    body_month_um: Rate
    body_job_um: Rate
    lens_month_um: Rate
    lens_job_um: Rate
    reason: Reason
    who: Who


@router.get("/settings/wear")
def wear(record: RecordDep) -> WearSettings:
    """Return how fast what is known of a unit fades between preps."""
    return rates.wear(record)


@router.put("/settings/wear", **WRITES)
def change_wear(call: CallDep, new: WearIn) -> WearSettings:
    """Put other rates in force, with the reason."""
    return rates.change_wear(call.record, settings=new.to(WearSettings), who=call.who(new.who))
