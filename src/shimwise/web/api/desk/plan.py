"""The plan of a check: what to tape and read, or measure by picture, before the first reading."""

from typing import Annotated

from fastapi import Query

from shimwise.bench.history.house_plan import DEFAULT_TARGET_UM, HousePlan, plan_house
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import RecordDep
from shimwise.web.api.kinds import PLAIN
from shimwise.web.problems import documented

MOST_BODIES, MOST_LENSES, MOST_DISTANCES = 10, 24, 12
"""A plan of more takes the process that serves the pages minutes."""
Named = Annotated[str, Query(max_length=80, pattern=PLAIN)]

router = AnswerRouter(tags=["plan"], responses=documented(404, 422, 503))


@router.get("/plan")
def plan(
    record: RecordDep,
    body_ids: Annotated[list[Named], Query(min_length=1, max_length=MOST_BODIES)],
    set_id: Named = "",
    lens_ids: Annotated[list[Named], Query(max_length=MOST_LENSES)] = [],  # noqa: B006 - never changed
    target_um: Annotated[
        float, Query(gt=0, le=1000, description="95 % half width wanted on every body [µm].")
    ] = DEFAULT_TARGET_UM,
    distances: Annotated[
        list[Named], Query(max_length=MOST_DISTANCES, description="As a technician writes them; 3, 6, 12 ft.")
    ] = [],  # noqa: B006
    by_picture: Annotated[bool, Query(description="Landings by picture, not readings by eye.")] = False,
) -> HousePlan:
    """Plan the readings, or the landings by picture, that make every body known to ±target_um (95 %)."""
    return plan_house(
        record,
        body_ids=body_ids,
        set_id=set_id,
        lens_ids=lens_ids,
        target_um=target_um,
        distances=distances,
        is_by_picture=by_picture,
    )
