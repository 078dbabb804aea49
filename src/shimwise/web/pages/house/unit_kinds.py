"""Bodies and lenses as the pages name them: one address, form and page for both kinds of unit."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request
from starlette.convertors import Convertor, register_url_convertor

from shimwise.bench.history import drift
from shimwise.bench.history.drift_views import DriftView
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.web.pages.forms import Form
from shimwise.web.pages.house.unit_forms import body_facts, body_form, lens_facts, lens_form

FOLDERS = {"body": "bodies", "lens": "lenses", "set": "sets"}
"""First part of the address of each kind."""
UNITS = "/{folder:units}"
UNIT = f"{UNITS}/{{unit_id}}"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitKind:
    """What differs between the pages of bodies and of lenses."""

    name: str
    of: type[Any]
    form: Callable[[Any], Form]
    facts: Callable[..., Any]
    drift: Callable[..., DriftView]

    @property
    def folder(self) -> str:
        """First part of its pages' address."""
        return FOLDERS[self.name]


KINDS: Mapping[str, UnitKind] = {
    kind.folder: kind
    for kind in (
        UnitKind(name="body", of=BodyFacts, form=body_form, facts=body_facts, drift=drift.body_drift),
        UnitKind(name="lens", of=LensFacts, form=lens_form, facts=lens_facts, drift=drift.lens_drift),
    )
}


class _Folders(Convertor[str]):
    """Takes ``bodies`` and ``lenses`` alone in an address, so that other pages keep theirs."""

    regex = "|".join(KINDS)

    def convert(self, value: str) -> str:
        return value

    def to_string(self, value: str) -> str:
        return value


register_url_convertor("units", _Folders())


def _kind(request: Request) -> UnitKind:
    return KINDS[request.path_params["folder"]]


KindDep = Annotated[UnitKind, Depends(_kind)]
