"""How well people repeat: private to the person and the leads, nameless for everybody else."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from shimwise.bench.history import operators
from shimwise.web.api.deps import RecordDep
from shimwise.web.api.kinds import PLAIN, Number, Out
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["repeatability"], responses=documented(422, 503))
Name = Annotated[str, Query(min_length=1, max_length=80, pattern=PLAIN, examples=["R. Okafor"])]
MaybeName = Annotated[
    str, Query(max_length=80, pattern=PLAIN, description="Who asks; believed, for names are not passwords.")
]


class OperatorOut(Out):
    """How well a person repeats; null while nothing was read twice."""

    name: str
    k: Annotated[Number, Field(description="Focusing spread as a share of N·c.")]
    k_low: Number
    k_high: Number
    repeat_sd_um: Number
    degrees: int
    reading_count: int
    prep_count: int
    words: str


class PooledOut(Out):
    """All persons together, without names."""

    repeat_sd_um: float
    degrees: int
    person_count: int


class StudyOut(Out):
    """Gauge R&R by analysis of variance of the crossed part of the house's readings. [sd, µm]"""

    person_count: int
    part_count: Annotated[int, Field(description="Sights that every person of the study has read.")]
    trials: int
    repeatability_um: float
    reproducibility_um: float
    gauge_um: float
    part_um: float
    total_um: float
    gauge_percent: Number
    is_interaction_kept: bool
    is_small: bool


class HouseRepeatabilityOut(Out):
    """What one who asks may see of the house; ``people`` is empty for all but leads."""

    who: str
    is_lead: bool
    own: OperatorOut | None
    people: tuple[OperatorOut, ...]
    pooled: PooledOut | None
    pooled_words: str
    study: StudyOut | None
    study_words: str


@router.get("/repeatability", responses=documented(409))
def repeatability(record: RecordDep, name: Name, who: Name) -> OperatorOut:
    """Tell how well a person repeats: private to the person and the leads."""
    return OperatorOut.model_validate(operators.repeatability(record, name=name, who=who))


@router.get("/repeatability/house")
def house_repeatability(record: RecordDep, who: MaybeName = "") -> HouseRepeatabilityOut:
    """Tell how well the house repeats, without names; everybody by name to a lead alone."""
    return HouseRepeatabilityOut.model_validate(operators.house_repeatability(record, who=who))
