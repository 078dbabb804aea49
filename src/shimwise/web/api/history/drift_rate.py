"""How fast the house's units are taken to wander between preps."""

from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import Field, StringConstraints

from shimwise.bench.house import drift_rate as rates
from shimwise.bench.house.drift_rate import WearSettings
from shimwise.web.api.deps import RecordDep, json_only
from shimwise.web.api.kinds import PLAIN, In, Out, Who
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["house"], responses=documented(422, 503))
Reason = Annotated[
    str,
    StringConstraints(min_length=1, max_length=80, pattern=PLAIN),
    Field(examples=["drift charts of the last year"]),
]
Rate = Annotated[float, Field(ge=0, le=100, examples=[1.5])]


class WearOut(Out):
    """How far a unit may move in a month and by a job, as a standard deviation [µm], and why."""

    body_month_um: float
    body_job_um: float
    lens_month_um: float
    lens_job_um: float
    reason: str


class WearIn(In):
    """Other rates, all of them, with the reason. [µm, standard deviation]"""

    body_month_um: Rate
    body_job_um: Rate
    lens_month_um: Rate
    lens_job_um: Rate
    reason: Reason
    who: Who


@router.get("/settings/wear")
def wear(record: RecordDep) -> WearOut:
    """Give how fast what is known of a unit fades between preps."""
    return WearOut.model_validate(rates.wear(record))


@router.put("/settings/wear", dependencies=[Depends(json_only)], responses=documented(400, 413, 415))
def change_wear(record: RecordDep, new: WearIn) -> WearOut:
    """Put other rates in force, with the reason."""
    said = new.model_dump(exclude={"who"})
    return WearOut.model_validate(rates.change_wear(record, settings=WearSettings(**said), who=new.who))
