"""Bodies and lenses as the pages name them: one address, form and page for both kinds of unit."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request
from starlette.convertors import StringConvertor, register_url_convertor

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.web.pages.forms import Form
from shimwise.web.pages.house.unit_forms import (
    body_facts,
    body_form,
    lens_facts,
    lens_form,
    set_facts,
    set_form,
)

KEPT = "/{folder:kept}"
"""Addresses of bodies, lenses and sets."""
UNITS = "/{folder:units}"
"""Addresses of bodies and lenses."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptKind:
    """What differs between the pages of bodies, of lenses and of sets."""

    name: str
    folder: str
    """First part of its pages' address."""
    form: Callable[[Any], Form]
    facts: Callable[..., Any]
    known: Callable[[Record, str], Any]
    add: Callable[..., Any] = units.add_unit
    change: Callable[..., Any] = units.change_unit


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitKind(KeptKind):
    """What differs between the pages of bodies and of lenses."""

    of: type[Any]


KINDS: Mapping[str, UnitKind] = {
    "bodies": UnitKind(
        name="body",
        folder="bodies",
        of=BodyFacts,
        form=body_form,
        facts=body_facts,
        known=lambda record, unit_id: units.show_unit(record, BodyFacts, unit_id).unit.facts,
    ),
    "lenses": UnitKind(
        name="lens",
        folder="lenses",
        of=LensFacts,
        form=lens_form,
        facts=lens_facts,
        known=lambda record, unit_id: units.show_unit(record, LensFacts, unit_id).unit.facts,
    ),
}
SETS = KeptKind(
    name="set",
    folder="sets",
    form=set_form,
    facts=set_facts,
    known=lambda record, set_id: units.show_set(record, set_id).set,
    add=units.add_set,
    change=units.change_set,
)


class _Units(StringConvertor):
    """Takes ``bodies`` and ``lenses`` alone in an address, so that other pages keep theirs."""

    regex = "|".join(KINDS)


class _Kept(_Units):
    """Takes ``sets`` too."""

    regex = f"{_Units.regex}|{SETS.folder}"


register_url_convertor("units", _Units())
register_url_convertor("kept", _Kept())


async def _unit_kind(request: Request) -> UnitKind:
    return KINDS[request.path_params["folder"]]


async def _kind(request: Request) -> KeptKind:
    return KINDS.get(request.path_params["folder"], SETS)


UnitKindDep = Annotated[UnitKind, Depends(_unit_kind)]
KindDep = Annotated[KeptKind, Depends(_kind)]
