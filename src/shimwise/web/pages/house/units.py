"""Bodies, lenses and sets: their lists, their pages with the past, and the forms that add and change them."""

import math
from typing import Any

from fastapi import APIRouter
from markupsafe import Markup
from starlette.responses import Response

from shimwise.bench.desk.optics import mounts
from shimwise.bench.history import drift_picture
from shimwise.bench.history.drift import unit_drift
from shimwise.bench.house import units as house
from shimwise.bench.house.settings import settings
from shimwise.bench.house.views import LensFacts, PastVerdict
from shimwise.bench.verdict import pictures
from shimwise.web.pages.deps import PostDep, Visit, VisitDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.house import first_steps
from shimwise.web.pages.house.unit_forms import UNIT_FIELDS
from shimwise.web.pages.house.unit_kinds import KEPT, SETS, UNITS, KeptKind, KindDep
from shimwise.web.pages.view import OUT, counted

router = APIRouter()
MOST_LISTED, MOST_CHOSEN, MOST_NAMED = 50, 400, 4


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
        sentence=_list_sentence(found.units, kind.name, more=bool(found.next_cursor), query=query),
        kind=kind.name,
        found=found,
    )


@router.get(f"{KEPT}/new")
def new(visit: VisitDep, kind: KindDep) -> Response:
    """Show the form of a new body, lens or set."""
    visit.form = first_steps.begin(visit, kind)
    return _form_page(visit, kind)


@router.post(KEPT)
def add(visit: PostDep, kind: KindDep) -> Response:
    """Add a body, a lens or a set."""
    with visit.refusing(status=422, fields=UNIT_FIELDS):
        adding = house.add_set if kind is SETS else house.add_unit
        added = adding(visit.record, facts=kind.facts(visit.form), who=visit.who)
        return visit.go(first_steps.after_adding(visit, kind, added.id))
    return _form_page(visit, kind)


@router.get(f"{KEPT}/{{kept_id}}/change")
def change_form(visit: VisitDep, kind: KindDep, kept_id: str) -> Response:
    """Show the form of a body, a lens or a set."""
    known = kind.known(visit.record, kept_id)
    visit.form = kind.form(known)
    return _form_page(visit, kind, of=kept_id, name=known.name)


@router.post(f"{KEPT}/{{kept_id}}")
def keep(visit: PostDep, kind: KindDep, kept_id: str) -> Response:
    """Change the facts of a body, a lens or a set."""
    known = kind.known(visit.record, kept_id)
    with visit.refusing(status=422, fields=UNIT_FIELDS):
        changing = house.change_set if kind is SETS else house.change_unit
        changing(visit.record, kept_id, facts=kind.facts(visit.form, known), who=visit.who)
        return visit.go(f"/{kind.folder}/{kept_id}")
    return _form_page(visit, kind, of=kept_id, name=known.name)


@router.get(f"{UNITS}/{{unit_id}}")
def show_unit(visit: VisitDep, kind: KindDep, unit_id: str) -> Response:
    """Show a body or a lens."""
    shown = house.show_unit(visit.record, kind.of, unit_id)
    return visit.show(
        f"house/{kind.name}.html",
        sentence=_unit_sentence(kind.name, shown.unit.name, shown.past),
        shown=shown,
        unit=shown.unit,
        kind=kind.name,
        tolerance_um=_tolerance_um(visit, shown.unit.facts),
        drift=unit_drift(visit.record, kind.name, unit_id),
        prep_address=first_steps.prep_address(visit.record, **{f"{kind.name}_id": unit_id}),
    )


@router.get(f"{UNITS}/{{unit_id}}/past")
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


@router.get(f"{UNITS}/{{unit_id}}/drift")
def drift_chart(visit: VisitDep, kind: KindDep, unit_id: str) -> Response:
    """Draw a unit's drift; its words and table are on the unit's own page."""
    svg = drift_picture.drift_svg(
        unit_drift(visit.record, kind.name, unit_id),
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
    return visit.show("house/sets.html", sentence=count if found.sets else none, found=found)


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
    return visit.show("house/set.html", sentence=f"Set {shown.set.name} holds {count}; {state}.", shown=shown)


def _form_page(visit: Visit, kind: KeptKind, *, of: str = "", name: str = "") -> Response:
    """Show the form of a new unit or set, or of the one with the id ``of``."""
    is_set = kind is SETS
    changed = f"Change set {name}." if is_set else f"Change what is known of {kind.name} {name}."
    return visit.show(
        f"house/{kind.name}_form.html",
        kind=kind.name,
        sentence=changed if name else _add_sentence(visit, kind),
        action=f"/{kind.folder}/{of}".rstrip("/"),
        name=name,
        lenses=house.list_units(visit.record, LensFacts, limit=MOST_CHOSEN).units if is_set else (),
        offers=() if name else first_steps.offers(visit, kind),
        mounts=[one.mount for one in mounts()],
    )


def _add_sentence(visit: Visit, kind: KeptKind) -> str:
    """Return the sentence of what is added, and what was added just before."""
    if kind is SETS:
        return f"Add a {kind.name}."
    count = {name: len(visit.form.all(name)) for name in (first_steps.BODY, first_steps.LENS)}
    kept = " and ".join(counted(number, name) for name, number in count.items() if number)
    needs = "a name and its mount" if kind.name == "body" else "a name and its focal length"
    return f"{f'{kept} kept. ' if kept else ''}Add a {kind.name}: it needs {needs}."


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


def _unit_sentence(kind: str, name: str, past: tuple[PastVerdict, ...]) -> str:
    title = f"{kind.capitalize()} {name}" if not name.casefold().startswith(kind) else name
    if not past:
        return f"{title} has not been judged yet."
    last = past[-1]
    given_at = last.given_at.astimezone()
    day = f"{given_at.day}\u00a0{given_at:%B}\u00a0{given_at.year}"
    if not math.isfinite(last.error_um) or last.verdict == "not_checked":
        return f"{title} was not checked at the last verdict, {day}."
    return f"{title}: {last.verdict_words}, {last.error_words} at the last verdict, {day}."
