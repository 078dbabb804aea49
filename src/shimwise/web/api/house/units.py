"""The house: bodies, lenses, sets and what a label names."""

import math
from dataclasses import fields
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Query

from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts, SetFacts
from shimwise.web.api.deps import RecordDep, json_only
from shimwise.web.api.house.models import (
    BodiesOut,
    BodyIn,
    BodyNew,
    BodyOut,
    BodyShownOut,
    LabelOut,
    LensesOut,
    LensIn,
    LensNew,
    LensOut,
    LensShownOut,
    SetIn,
    SetNew,
    SetOut,
    SetShownOut,
    SetsOut,
)
from shimwise.web.api.kinds import Cursor, Id, Limit, Search
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["house"], responses=documented(422, 503))
new_responses = documented(400, 404, 409, 413, 415)
json_body = [Depends(json_only)]
Retired = Annotated[bool, Query(description="Those out of use too.")]


@router.get("/bodies")
def list_bodies(
    record: RecordDep,
    search: Search = "",
    limit: Limit = 50,
    cursor: Cursor = "",
    with_retired: Retired = False,
) -> BodiesOut:
    """List bodies by name."""
    return BodiesOut.model_validate(
        units.list_bodies(record, search=search, limit=limit, after=cursor, with_retired=with_retired)
    )


@router.post("/bodies", status_code=201, dependencies=json_body, responses=new_responses)
def add_body(record: RecordDep, new: BodyNew) -> BodyOut:
    """Add a body to the house."""
    return BodyOut.model_validate(units.add_body(record, id=new.id, facts=_body_facts(new), who=new.who))


@router.get("/bodies/{body_id}", responses=documented(404))
def show_body(record: RecordDep, body_id: Id) -> BodyShownOut:
    """Give a body: what is known, its past, its adjustments, where it is used."""
    return BodyShownOut.model_validate(units.show_body(record, body_id))


@router.put("/bodies/{body_id}", dependencies=json_body, responses=new_responses)
def change_body(record: RecordDep, body_id: Id, facts: BodyIn) -> BodyOut:
    """Replace what is known of a body."""
    return BodyOut.model_validate(units.change_body(record, body_id, facts=_body_facts(facts), who=facts.who))


@router.get("/lenses")
def list_lenses(
    record: RecordDep,
    search: Search = "",
    limit: Limit = 50,
    cursor: Cursor = "",
    with_retired: Retired = False,
) -> LensesOut:
    """List lenses by name."""
    return LensesOut.model_validate(
        units.list_lenses(record, search=search, limit=limit, after=cursor, with_retired=with_retired)
    )


@router.post("/lenses", status_code=201, dependencies=json_body, responses=new_responses)
def add_lens(record: RecordDep, new: LensNew) -> LensOut:
    """Add a lens to the house."""
    return LensOut.model_validate(units.add_lens(record, id=new.id, facts=_lens_facts(new), who=new.who))


@router.get("/lenses/{lens_id}", responses=documented(404))
def show_lens(record: RecordDep, lens_id: Id) -> LensShownOut:
    """Give a lens: what is known, its past, its adjustments, its sets, where it is used."""
    return LensShownOut.model_validate(units.show_lens(record, lens_id))


@router.put("/lenses/{lens_id}", dependencies=json_body, responses=new_responses)
def change_lens(record: RecordDep, lens_id: Id, facts: LensIn) -> LensOut:
    """Replace what is known of a lens."""
    return LensOut.model_validate(units.change_lens(record, lens_id, facts=_lens_facts(facts), who=facts.who))


@router.get("/sets")
def list_sets(record: RecordDep, search: Search = "", limit: Limit = 50, cursor: Cursor = "") -> SetsOut:
    """List sets by name."""
    return SetsOut.model_validate(units.list_sets(record, search=search, limit=limit, after=cursor))


@router.post("/sets", status_code=201, dependencies=json_body, responses=new_responses)
def add_set(record: RecordDep, new: SetNew) -> SetOut:
    """Add a set: lenses that travel together."""
    return SetOut.model_validate(units.add_set(record, id=new.id, facts=_set_facts(new), who=new.who))


@router.get("/sets/{set_id}", responses=documented(404))
def show_set(record: RecordDep, set_id: Id) -> SetShownOut:
    """Give a set, its lenses and where it was tested."""
    return SetShownOut.model_validate(units.show_set(record, set_id))


@router.put("/sets/{set_id}", dependencies=json_body, responses=new_responses)
def change_set(record: RecordDep, set_id: Id, facts: SetIn) -> SetOut:
    """Replace a set's name, lenses and note."""
    return SetOut.model_validate(units.change_set(record, set_id, facts=_set_facts(facts), who=facts.who))


@router.get("/labels", responses=documented(404))
def find_label(
    record: RecordDep,
    text: Annotated[str, Query(min_length=1, max_length=300, description="As scanned from a label.")],
) -> LabelOut:
    """Find what a label names: a body, a lens or a set."""
    found = units.find_label(record, text)
    if found is None:
        raise HTTPException(
            404, "No body, lens or set of the house has this label. Add it, or type its name."
        )
    return LabelOut.model_validate(found)


def _body_facts(given: BodyIn) -> BodyFacts:
    known = _given(given, BodyFacts)
    mechanism = given.mechanism
    known["mechanism"] = (
        None
        if mechanism is None
        else MechanismFacts(**{**mechanism.model_dump(), "stock_um": tuple(mechanism.stock_um)})
    )
    return BodyFacts(**known)


def _lens_facts(given: LensIn) -> LensFacts:
    known = _given(given, LensFacts)
    known["focal_lengths_mm"] = tuple(given.focal_lengths_mm)
    known["by_distance"] = tuple(
        (math.inf if row.distance_mm is None else row.distance_mm, row.focal_mm, row.separation_mm)
        for row in given.by_distance
    )
    return LensFacts(**known)


def _set_facts(given: SetIn) -> SetFacts:
    return SetFacts(name=given.name, lens_ids=tuple(given.lens_ids), note=given.note)


def _given(given: BodyIn | LensIn, kind: type[BodyFacts] | type[LensFacts]) -> dict[str, Any]:
    return {one.name: getattr(given, one.name) for one in fields(kind)}
