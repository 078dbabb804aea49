"""Bodies, lenses and sets of the house, and what a label names."""

from typing import Annotated

from fastapi import HTTPException, Query

from shimwise.bench.house import units
from shimwise.bench.house.units import LabelFound
from shimwise.bench.house.views import (
    BodyFacts,
    BodyView,
    LensFacts,
    LensView,
    SetFacts,
    SetShown,
    SetsPage,
    SetView,
    UnitShown,
    UnitsPage,
)
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.house.requests import BodyIn, BodyNew, LensIn, LensNew, SetIn, SetNew
from shimwise.web.api.kinds import Id, PageQuery, UnitsQuery
from shimwise.web.problems import documented

router = AnswerRouter(tags=["house"], responses=documented(422, 503))


@router.get("/bodies")
def list_bodies(record: RecordDep, asked: Annotated[UnitsQuery, Query()]) -> UnitsPage[BodyFacts]:
    """List bodies by name."""
    return units.list_units(record, BodyFacts, **dict(asked))


@router.post("/bodies", status_code=201, **WRITES)
def add_body(call: CallDep, new: BodyNew) -> BodyView:
    """Add a body to the house."""
    return units.add_unit(call.record, id=new.id, facts=new.to(BodyFacts), who=call.who(new.who))


@router.get("/bodies/{body_id}", responses=documented(404))
def show_body(record: RecordDep, body_id: Id) -> UnitShown[BodyFacts]:
    """Return a body: its facts, its past, its adjustments, where it is used."""
    return units.show_unit(record, BodyFacts, body_id)


@router.put("/bodies/{body_id}", **WRITES)
def change_body(call: CallDep, body_id: Id, facts: BodyIn) -> BodyView:
    """Replace the facts of a body."""
    return units.change_unit(call.record, body_id, facts=facts.to(BodyFacts), who=call.who(facts.who))


@router.get("/lenses")
def list_lenses(record: RecordDep, asked: Annotated[UnitsQuery, Query()]) -> UnitsPage[LensFacts]:
    """List lenses by name."""
    return units.list_units(record, LensFacts, **dict(asked))


@router.post("/lenses", status_code=201, **WRITES)
def add_lens(call: CallDep, new: LensNew) -> LensView:
    """Add a lens to the house."""
    return units.add_unit(call.record, id=new.id, facts=new.to(LensFacts), who=call.who(new.who))


@router.get("/lenses/{lens_id}", responses=documented(404))
def show_lens(record: RecordDep, lens_id: Id) -> UnitShown[LensFacts]:
    """Return a lens: its facts, its past, its adjustments, its sets, where it is used."""
    return units.show_unit(record, LensFacts, lens_id)


@router.put("/lenses/{lens_id}", **WRITES)
def change_lens(call: CallDep, lens_id: Id, facts: LensIn) -> LensView:
    """Replace the facts of a lens."""
    return units.change_unit(call.record, lens_id, facts=facts.to(LensFacts), who=call.who(facts.who))


@router.get("/sets")
def list_sets(record: RecordDep, asked: Annotated[PageQuery, Query()]) -> SetsPage:
    """List sets by name."""
    return units.list_sets(record, **dict(asked))


@router.post("/sets", status_code=201, **WRITES)
def add_set(call: CallDep, new: SetNew) -> SetView:
    """Add a set: lenses that travel together."""
    return units.add_set(call.record, id=new.id, facts=new.to(SetFacts), who=call.who(new.who))


@router.get("/sets/{set_id}", responses=documented(404))
def show_set(record: RecordDep, set_id: Id) -> SetShown:
    """Return a set, its lenses and where it was tested."""
    return units.show_set(record, set_id)


@router.put("/sets/{set_id}", **WRITES)
def change_set(call: CallDep, set_id: Id, facts: SetIn) -> SetView:
    """Replace a set's name, lenses and note."""
    return units.change_set(call.record, set_id, facts=facts.to(SetFacts), who=call.who(facts.who))


@router.get("/labels", responses=documented(404))
def find_label(
    record: RecordDep,
    text: Annotated[str, Query(min_length=1, max_length=300, description="As scanned from a label.")],
) -> LabelFound:
    """Find what a label names: a body, a lens or a set."""
    found = units.find_label(record, text)
    if found is None:
        raise HTTPException(
            404, "No body, lens or set of the house has this label. Add it, or type its name."
        )
    return found
