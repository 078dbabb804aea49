"""The house's list as CSV, in with a dry run and out; and the house's settings."""

from dataclasses import fields
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Query, Request, Response

from shimwise.bench.house import settings as house_settings
from shimwise.bench.house import unit_list
from shimwise.bench.house.views import HouseSettings
from shimwise.web.api.deps import RecordDep, json_only
from shimwise.web.api.house.models import HouseListOut, SettingsIn, SettingsOut
from shimwise.web.api.kinds import PLAIN
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["house"], responses=documented(422, 503))
CSV = "text/csv"
_BODY = {"requestBody": {"required": True, "content": {CSV: {"schema": {"type": "string"}}}}}


async def _csv(request: Request) -> bytes:
    """Give the body of a request that says it is CSV."""
    told = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if told != CSV:
        raise HTTPException(415, f"This address takes {CSV}; sent was {told[:80] or 'nothing that says so'}.")
    return await request.body()


@router.post("/house-list", responses=documented(400, 409, 413, 415), openapi_extra=_BODY)
def import_house_list(
    record: RecordDep,
    data: Annotated[bytes, Depends(_csv)],
    who: Annotated[str, Query(min_length=1, max_length=80, pattern=PLAIN, examples=["R. Okafor"])],
    is_dry_run: Annotated[bool, Query(description="Only tell what it would change.")] = True,
) -> HouseListOut:
    """Take in a house's list of bodies, lenses and sets, or tell what that would change.

    One row for each unit: ``kind,name,serial,mount,focal_length_mm,f_number,set`` and more columns, as
    ``GET /api/v1/house-list`` gives them. When one line is refused, nothing is taken.
    """
    return HouseListOut.model_validate(
        unit_list.import_house_list(record, data, who=who, is_dry_run=is_dry_run)
    )


@router.get(
    "/house-list",
    response_class=Response,
    responses={200: {"content": {CSV: {"schema": {"type": "string"}}}, "description": "The list."}},
)
def export_house_list(record: RecordDep) -> Response:
    """Give the house's list as CSV, in the form that is taken in."""
    return Response(
        unit_list.export_house_list(record),
        media_type=f"{CSV}; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="house.csv"'},
    )


@router.get("/settings")
def settings(record: RecordDep) -> SettingsOut:
    """Give the house's settings in force."""
    return SettingsOut.model_validate(house_settings.settings(record))


@router.put("/settings", dependencies=[Depends(json_only)], responses=documented(400, 413, 415))
def change_settings(record: RecordDep, new: SettingsIn) -> SettingsOut:
    """Put other settings in force, all of them."""
    known = {one.name: getattr(new, one.name) for one in fields(HouseSettings)}
    known["shim_stock_um"] = tuple(new.shim_stock_um)
    return SettingsOut.model_validate(
        house_settings.change_settings(record, settings=HouseSettings(**known), who=new.who)
    )
