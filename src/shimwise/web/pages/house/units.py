"""Bodies, lenses and sets: their lists, their pages with the past, and the forms that add and change them."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter
from markupsafe import Markup
from starlette.responses import Response

from shimwise.bench.history import drift_picture
from shimwise.bench.house import units as house
from shimwise.bench.house.settings import settings
from shimwise.bench.house.views import LensFacts
from shimwise.bench.verdict import pictures
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PostDep, Visit, VisitDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.house.unit_forms import set_facts, set_form
from shimwise.web.pages.house.unit_kinds import FOLDERS, UNIT, UNITS, KindDep
from shimwise.web.pages.view import counted

if TYPE_CHECKING:
    from shimwise.bench.house.views import PastVerdict

router = APIRouter()
MOST_LISTED, MOST_CHOSEN, MOST_NAMED = 50, 400, 4
OUT = ("out_short", "out_deep")


@router.get(UNITS)
def list_units(visit: VisitDep, kind: KindDep) -> Response:
    """List the bodies or the lenses."""
    query = visit.form
    found = house.list_units(
        visit.record,
        kind.of,
        search=query.text("search"),
        limit=MOST_LISTED,
        cursor=query.get("after"),
        with_retired=bool(query.text("retired")),
    )
    return visit.show(
        "house/units.html",
        way=kind.folder,
        sentence=_list_sentence(found.units, kind.name, more=bool(found.next_cursor), query=query),
        kind=kind.name,
        units=found.units,
        cursor=found.next_cursor,
        query=query,
    )


@router.get(f"{UNITS}/new")
def new_unit(visit: VisitDep, kind: KindDep) -> Response:
    """Show the form of a new body or lens."""
    form = kind.form(None)
    form.set("scale_unit", visit.page.units)
    return _unit_form(visit, kind.name, form)


@router.post(UNITS)
def add_unit(visit: PostDep, kind: KindDep) -> Response:
    """Add a body or a lens."""
    return _kept(
        visit,
        kind.name,
        lambda: house.add_unit(visit.record, facts=kind.facts(visit.form), who=visit.who).id,
    )


@router.get(f"{UNIT}/change")
def change_unit_form(visit: VisitDep, kind: KindDep, unit_id: str) -> Response:
    """Show the form of a body or a lens."""
    facts = house.show_unit(visit.record, kind.of, unit_id).unit.facts
    return _unit_form(visit, kind.name, kind.form(facts), of=unit_id, name=facts.name)


@router.post(UNIT)
def change_unit(visit: PostDep, kind: KindDep, unit_id: str) -> Response:
    """Change the facts of a body or a lens."""
    known = house.show_unit(visit.record, kind.of, unit_id).unit.facts

    def keep() -> str:
        facts = kind.facts(visit.form, known)
        return house.change_unit(visit.record, unit_id, facts=facts, who=visit.who).id

    return _kept(visit, kind.name, keep, of=unit_id, name=known.name)


@router.get(UNIT)
def show_unit(visit: VisitDep, kind: KindDep, unit_id: str) -> Response:
    """Show a body or a lens."""
    shown = house.show_unit(visit.record, kind.of, unit_id)
    return visit.show(
        f"house/{kind.name}.html",
        way=kind.folder,
        sentence=_unit_sentence(kind.name, shown.unit.name, shown.past),
        shown=shown,
        unit=shown.unit,
        kind=kind.name,
        tolerance_um=_tolerance_um(visit, shown.unit.facts),
        drift=kind.drift(visit.record, unit_id),
    )


@router.get(f"{UNIT}/past")
def past_picture(visit: VisitDep, kind: KindDep, unit_id: str) -> Response:
    """Draw a unit's past."""
    shown = house.show_unit(visit.record, kind.of, unit_id)
    svg = pictures.past_svg(
        shown.past,
        adjustments=shown.adjustments,
        tolerance_um=_tolerance_um(visit, shown.unit.facts),
        theme=visit.theme,
        width_px=visit.width_px,
    )
    return visit.show("house/past.html", picture=Markup(svg))  # noqa: S704 - our own drawing


@router.get(f"{UNIT}/drift")
def drift_chart(visit: VisitDep, kind: KindDep, unit_id: str) -> Response:
    """Draw a unit's drift; its words and table are on the unit's own page."""
    svg = drift_picture.drift_svg(
        kind.drift(visit.record, unit_id),
        times=[one.given_at for one in house.show_unit(visit.record, kind.of, unit_id).past],
        theme=visit.theme,
        width_px=visit.width_px,
    )
    return visit.show("house/drift_picture.html", picture=Markup(svg))  # noqa: S704 - our own drawing


@router.get("/sets")
def list_sets(visit: VisitDep) -> Response:
    """List the sets."""
    search = visit.form.text("search")
    found = house.list_sets(visit.record, search=search, limit=MOST_LISTED, cursor=visit.form.get("after"))
    count = f"The house has {counted(len(found.sets), 'set')}{' and more' if found.next_cursor else ''}."
    none = "No set is called so." if search else "No set is kept yet."
    return visit.show(
        "house/sets.html",
        way="sets",
        sentence=count if found.sets else none,
        sets=found.sets,
        cursor=found.next_cursor,
        query=visit.form,
    )


@router.get("/sets/new")
def new_set(visit: VisitDep) -> Response:
    """Show the form of a new set."""
    return _unit_form(visit, "set", set_form(None))


@router.post("/sets")
def add_set(visit: PostDep) -> Response:
    """Add a set."""
    return _kept(
        visit,
        "set",
        lambda: house.add_set(visit.record, facts=set_facts(visit.form), who=visit.who).id,
    )


@router.get("/sets/{set_id}/change")
def change_set_form(visit: VisitDep, set_id: str) -> Response:
    """Show the form of a set."""
    shown = house.show_set(visit.record, set_id).set
    return _unit_form(visit, "set", set_form(shown), of=set_id, name=shown.name)


@router.post("/sets/{set_id}")
def change_set(visit: PostDep, set_id: str) -> Response:
    """Change a set."""
    return _kept(
        visit,
        "set",
        lambda: house.change_set(visit.record, set_id, facts=set_facts(visit.form), who=visit.who).id,
        of=set_id,
        name=house.show_set(visit.record, set_id).set.name,
    )


@router.get("/sets/{set_id}")
def show_set(visit: VisitDep, set_id: str) -> Response:
    """Show a set."""
    shown = house.show_set(visit.record, set_id)
    out = ", ".join(lens.name for lens in shown.lenses if lens.latest and lens.latest.verdict in OUT)
    if not any(lens.latest for lens in shown.lenses):
        state = "none has been judged yet"
    else:
        state = f"out when last judged: {out}" if out else "none was out when last judged"
    count = counted(len(shown.lenses), "lens")
    return visit.show(
        "house/set.html", way="sets", sentence=f"Set {shown.set.name} holds {count}; {state}.", shown=shown
    )


def _unit_form(
    visit: Visit, kind: str, form: Form, *, of: str = "", name: str = "", status: int = 200
) -> Response:
    """Show the form of a new unit or set, or of the one with the id ``of``."""
    changed = f"Change set {name}." if kind == "set" else f"Change what is known of {kind} {name}."
    lenses = house.list_units(visit.record, LensFacts, limit=MOST_CHOSEN).units if kind == "set" else ()
    return visit.show(
        f"house/{kind}_form.html",
        kind=kind,
        way=FOLDERS[kind],
        sentence=changed if name else f"Add a {kind}.",
        status=status,
        form=form,
        action=f"/{FOLDERS[kind]}/{of}".rstrip("/"),
        name=name,
        lenses=lenses,
    )


def _kept(visit: Visit, kind: str, keep: Callable[[], str], *, of: str = "", name: str = "") -> Response:
    """Keep a form and go to the page of what was kept, or show the form again with what was refused."""
    try:
        kept_id = keep()
    except ShimwiseError as error:
        visit.form.refuse(error)
        return _unit_form(visit, kind, visit.form, of=of, name=name, status=422)
    return visit.go(f"/{FOLDERS[kind]}/{kept_id}")


def _tolerance_um(visit: Visit, facts: Any) -> float:  # noqa: ANN401 - of a body or of a lens
    """Return the tolerance of a unit: a body's own, else its mount's, else the house's. [µm]"""
    chosen = settings(visit.record)
    own_um: float | None = getattr(facts, "tolerance_um", None)
    return own_um or chosen.tolerance_by_mount.get(facts.mount) or chosen.tolerance_um


def _list_sentence(units: tuple[Any, ...], kind: str, *, more: bool, query: Form) -> str:
    if not units:
        return f"No {kind} is called so." if query.text("search") else f"No {kind} is kept yet."
    out = [unit.name for unit in units if unit.latest and unit.latest.verdict in OUT]
    count = f"{counted(len(units), kind)}{' and more' if more else ''}"
    judged = sum(unit.latest is not None for unit in units)
    if not judged:
        return f"{count}, not judged yet."
    if not out:
        which = "none was" if judged == len(units) else f"of the {judged} that were judged none was"
        return f"{count}; {which} out when last judged."
    names = ", ".join(out[:MOST_NAMED])
    rest = f" and {len(out) - MOST_NAMED} more" if len(out) > MOST_NAMED else ""
    return f"{count}; out when last judged: {names}{rest}."


def _unit_sentence(kind: str, name: str, past: "tuple[PastVerdict, ...]") -> str:
    title = f"{kind.capitalize()} {name}" if not name.casefold().startswith(kind) else name
    if not past:
        return f"{title} has not been judged yet."
    last = past[-1]
    given_at = last.given_at.astimezone()
    day = f"{given_at.day}\u00a0{given_at:%B}\u00a0{given_at.year}"
    if not math.isfinite(last.error_um) or last.verdict == "not_checked":
        return f"{title} was not checked at the last verdict, {day}."
    return f"{title}: {last.verdict_words}, {last.error_words} at the last verdict, {day}."
