"""Bodies, lenses and sets as the pages name them: one address, form and page for all kinds."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request
from starlette.convertors import StringConvertor, register_url_convertor

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts, SetFacts
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
    """What differs between the pages of bodies, of lenses and of sets; ``of``: its facts."""

    name: str
    folder: str
    """First part of its pages' address."""
    of: type[Any]
    form: Callable[[Any], Form]
    facts: Callable[..., Any]

    def known(self, record: Record, kept_id: str) -> Any:  # noqa: ANN401 - facts of this kind
        """Return what the record holds of one; raise NotFound if there is none."""
        if self.of is SetFacts:
            return units.show_set(record, kept_id).set
        return units.show_unit(record, self.of, kept_id).unit.facts


BODIES = KeptKind(name="body", folder="bodies", of=BodyFacts, form=body_form, facts=body_facts)
LENSES = KeptKind(name="lens", folder="lenses", of=LensFacts, form=lens_form, facts=lens_facts)
SETS = KeptKind(name="set", folder="sets", of=SetFacts, form=set_form, facts=set_facts)
KINDS = {kind.folder: kind for kind in (BODIES, LENSES, SETS)}


class _Units(StringConvertor):
    """Takes ``bodies`` and ``lenses`` alone in an address, so that other pages keep theirs."""

    regex = f"{BODIES.folder}|{LENSES.folder}"


class _Kept(_Units):
    """Takes ``sets`` too."""

    regex = "|".join(KINDS)


register_url_convertor("units", _Units())
register_url_convertor("kept", _Kept())


async def _kind(request: Request) -> KeptKind:
    return KINDS[request.path_params["folder"]]


KindDep = Annotated[KeptKind, Depends(_kind)]
