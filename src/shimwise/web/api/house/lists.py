"""The house's list as CSV, in with a dry run and out; the house's settings, and how fast its units wander."""

from typing import Annotated

from fastapi import Depends, Query, Response

from shimwise.bench.house import drift_rate as rates
from shimwise.bench.house import settings as house_settings
from shimwise.bench.house import unit_list
from shimwise.bench.house.drift_rate import WearSettings
from shimwise.bench.house.views import HouseListOutcome, HouseSettings
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import (
    CSV,
    WRITES,
    CallDep,
    RecordDep,
    WhoQuery,
    body_of,
    file_request,
    file_response,
)
from shimwise.web.api.house.requests import SettingsIn, WearIn
from shimwise.web.problems import documented

router = AnswerRouter(tags=["house"], responses=documented(422, 503))


@router.post("/house-list", **file_request(CSV))
def import_house_list(
    call: CallDep,
    data: Annotated[bytes, Depends(body_of(CSV))],
    who: WhoQuery,
    is_dry_run: Annotated[bool, Query(description="Only report what it would change.")] = True,
) -> HouseListOutcome:
    """Take in a house's list of bodies, lenses and sets, or report what that would change.

    One row for each unit: ``kind,name,serial,mount,focal_length_mm,f_number,set`` and more columns, as
    ``GET /api/v1/house-list`` returns them. If one line is refused, nothing is taken.
    """
    return unit_list.import_house_list(call.record, data, who=call.who(who), is_dry_run=is_dry_run)


@router.get("/house-list", **file_response(CSV, "The list."))
def export_house_list(record: RecordDep) -> Response:
    """Return the house's list as CSV, in the form that is taken in."""
    return Response(
        unit_list.export_house_list(record),
        media_type=f"{CSV}; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="house.csv"'},
    )


@router.get("/settings")
def settings(record: RecordDep) -> HouseSettings:
    """Return the house's settings in force."""
    return house_settings.settings(record)


@router.put("/settings", **WRITES)
def change_settings(call: CallDep, new: SettingsIn) -> HouseSettings:
    """Put other settings in force, all of them."""
    return house_settings.change_settings(call.record, settings=new.to(HouseSettings), who=call.who(new.who))


@router.get("/settings/wear")
def wear(record: RecordDep) -> WearSettings:
    """Return how fast what is known of a unit fades between preps."""
    return rates.wear(record)


@router.put("/settings/wear", **WRITES)
def change_wear(call: CallDep, new: WearIn) -> WearSettings:
    """Put other rates in force, with the reason."""
    return rates.change_wear(call.record, settings=new.to(WearSettings), who=call.who(new.who))
