"""Bodies, lenses and sets: their lists, their pages with the past, and the forms that add and change them."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from shimwise.bench.history import drift
from shimwise.bench.house import units as house
from shimwise.bench.house.settings import settings
from shimwise.bench.verdict import pictures
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PageDep, PostedDep, QueryDep, RecordDep, remember, see, who_of
from shimwise.web.pages.forms import Form
from shimwise.web.pages.house.unit_forms import (
    body_facts,
    body_form,
    lens_facts,
    lens_form,
    set_facts,
    set_form,
)
from shimwise.web.pages.view import counted, render, theme_of

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.house.views import AdjustmentView, LensView, PastVerdict
    from shimwise.web.pages.view import Page

__all__ = ["router"]

router = APIRouter()
MOST_LISTED, MOST_CHOSEN = 50, 400
DEFAULT_PX, LEAST_PX, MOST_PX = 680, 300, 1100
_OUT = ("out_short", "out_deep")


@router.get("/bodies")
def list_bodies(request: Request, record: RecordDep, page: PageDep, query: QueryDep) -> Response:
    """List the bodies."""
    found = house.list_bodies(
        record,
        search=query.text("search"),
        limit=MOST_LISTED,
        after=query.get("after"),
        with_retired=bool(query.text("retired")),
    )
    page.way = "bodies"
    page.sentence = _list_sentence(found.bodies, "body", more=bool(found.next_cursor), query=query)
    return render(
        request,
        "house/units.html",
        page,
        kind="body",
        units=found.bodies,
        cursor=found.next_cursor,
        query=query,
    )


@router.get("/lenses")
def list_lenses(request: Request, record: RecordDep, page: PageDep, query: QueryDep) -> Response:
    """List the lenses."""
    found = house.list_lenses(
        record,
        search=query.text("search"),
        limit=MOST_LISTED,
        after=query.get("after"),
        with_retired=bool(query.text("retired")),
    )
    page.way = "lenses"
    page.sentence = _list_sentence(found.lenses, "lens", more=bool(found.next_cursor), query=query)
    return render(
        request,
        "house/units.html",
        page,
        kind="lens",
        units=found.lenses,
        cursor=found.next_cursor,
        query=query,
    )


@router.get("/sets")
def list_sets(request: Request, record: RecordDep, page: PageDep, query: QueryDep) -> Response:
    """List the sets."""
    found = house.list_sets(record, search=query.text("search"), limit=MOST_LISTED, after=query.get("after"))
    page.way = "sets"
    count = counted(len(found.sets), "set")
    page.sentence = (
        f"The house has {count}{' and more' if found.next_cursor else ''}."
        if found.sets
        else "No set is kept yet."
        if not query.text("search")
        else "No set is called so."
    )
    return render(request, "house/sets.html", page, sets=found.sets, cursor=found.next_cursor, query=query)


@router.get("/bodies/new")
def new_body(request: Request, page: PageDep) -> Response:
    """Show the form of a new body."""
    return _unit_form(request, page, "body", body_form(None), "/bodies")


@router.post("/bodies")
def add_body(request: Request, record: RecordDep, page: PageDep, form: PostedDep) -> Response:
    """Add a body."""
    return _kept(
        request,
        page,
        form,
        kind="body",
        action="/bodies",
        keep=lambda who: house.add_body(record, facts=body_facts(form), who=who).id,
    )


@router.get("/bodies/{body_id}/change")
def change_body_form(request: Request, record: RecordDep, page: PageDep, body_id: str) -> Response:
    """Show the form of a body."""
    shown = house.show_body(record, body_id).body
    return _unit_form(request, page, "body", body_form(shown.facts), f"/bodies/{body_id}", name=shown.name)


@router.post("/bodies/{body_id}")
def change_body(
    request: Request, record: RecordDep, page: PageDep, form: PostedDep, body_id: str
) -> Response:
    """Change what is known of a body."""
    known = house.show_body(record, body_id).body.facts
    return _kept(
        request,
        page,
        form,
        kind="body",
        action=f"/bodies/{body_id}",
        name=known.name,
        keep=lambda who: house.change_body(record, body_id, facts=body_facts(form, known), who=who).id,
    )


@router.get("/bodies/{body_id}")
def show_body(request: Request, record: RecordDep, page: PageDep, body_id: str) -> Response:
    """Show a body."""
    shown = house.show_body(record, body_id)
    page.way, page.sentence = "bodies", _unit_sentence("body", shown.body.name, shown.past)
    tolerance_um = _tolerance_um(record, shown.body.facts.mount, shown.body.facts.tolerance_um)
    return render(
        request,
        "house/body.html",
        page,
        shown=shown,
        unit=shown.body,
        kind="body",
        tolerance_um=tolerance_um,
        drift=drift.body_drift(record, body_id),
    )


@router.get("/lenses/new")
def new_lens(request: Request, page: PageDep) -> Response:
    """Show the form of a new lens."""
    form = lens_form(None)
    form.set("scale_unit", page.units)
    return _unit_form(request, page, "lens", form, "/lenses")


@router.post("/lenses")
def add_lens(request: Request, record: RecordDep, page: PageDep, form: PostedDep) -> Response:
    """Add a lens."""
    return _kept(
        request,
        page,
        form,
        kind="lens",
        action="/lenses",
        keep=lambda who: house.add_lens(record, facts=lens_facts(form), who=who).id,
    )


@router.get("/lenses/{lens_id}/change")
def change_lens_form(request: Request, record: RecordDep, page: PageDep, lens_id: str) -> Response:
    """Show the form of a lens."""
    shown = house.show_lens(record, lens_id).lens
    return _unit_form(request, page, "lens", lens_form(shown.facts), f"/lenses/{lens_id}", name=shown.name)


@router.post("/lenses/{lens_id}")
def change_lens(
    request: Request, record: RecordDep, page: PageDep, form: PostedDep, lens_id: str
) -> Response:
    """Change what is known of a lens."""
    known = house.show_lens(record, lens_id).lens.facts
    return _kept(
        request,
        page,
        form,
        kind="lens",
        action=f"/lenses/{lens_id}",
        name=known.name,
        keep=lambda who: house.change_lens(record, lens_id, facts=lens_facts(form, known), who=who).id,
    )


@router.get("/lenses/{lens_id}")
def show_lens(request: Request, record: RecordDep, page: PageDep, lens_id: str) -> Response:
    """Show a lens."""
    shown = house.show_lens(record, lens_id)
    page.way, page.sentence = "lenses", _unit_sentence("lens", shown.lens.name, shown.past)
    tolerance_um = _tolerance_um(record, shown.lens.facts.mount, None)
    return render(
        request,
        "house/lens.html",
        page,
        shown=shown,
        unit=shown.lens,
        kind="lens",
        tolerance_um=tolerance_um,
        drift=drift.lens_drift(record, lens_id),
    )


@router.get("/bodies/{body_id}/past")
def body_past(
    request: Request, record: RecordDep, page: PageDep, body_id: str, width: int = DEFAULT_PX
) -> Response:
    """Give the picture of a body's past."""
    shown = house.show_body(record, body_id)
    tolerance_um = _tolerance_um(record, shown.body.facts.mount, shown.body.facts.tolerance_um)
    return _past(request, page, shown.past, shown.adjustments, tolerance_um, width)


@router.get("/lenses/{lens_id}/past")
def lens_past(
    request: Request, record: RecordDep, page: PageDep, lens_id: str, width: int = DEFAULT_PX
) -> Response:
    """Give the picture of a lens's past."""
    shown = house.show_lens(record, lens_id)
    tolerance_um = _tolerance_um(record, shown.lens.facts.mount, None)
    return _past(request, page, shown.past, shown.adjustments, tolerance_um, width)


@router.get("/sets/new")
def new_set(request: Request, record: RecordDep, page: PageDep) -> Response:
    """Show the form of a new set."""
    return _unit_form(request, page, "set", set_form(None), "/sets", lenses=_all_lenses(record))


@router.post("/sets")
def add_set(request: Request, record: RecordDep, page: PageDep, form: PostedDep) -> Response:
    """Add a set."""
    return _kept(
        request,
        page,
        form,
        kind="set",
        action="/sets",
        lenses=_all_lenses(record),
        keep=lambda who: house.add_set(record, facts=set_facts(form), who=who).id,
    )


@router.get("/sets/{set_id}/change")
def change_set_form(request: Request, record: RecordDep, page: PageDep, set_id: str) -> Response:
    """Show the form of a set."""
    shown = house.show_set(record, set_id).set
    form = set_form(shown)
    return _unit_form(
        request, page, "set", form, f"/sets/{set_id}", name=shown.name, lenses=_all_lenses(record)
    )


@router.post("/sets/{set_id}")
def change_set(request: Request, record: RecordDep, page: PageDep, form: PostedDep, set_id: str) -> Response:
    """Change a set."""
    known = house.show_set(record, set_id).set
    return _kept(
        request,
        page,
        form,
        kind="set",
        action=f"/sets/{set_id}",
        name=known.name,
        lenses=_all_lenses(record),
        keep=lambda who: house.change_set(record, set_id, facts=set_facts(form), who=who).id,
    )


@router.get("/sets/{set_id}")
def show_set(request: Request, record: RecordDep, page: PageDep, set_id: str) -> Response:
    """Show a set."""
    shown = house.show_set(record, set_id)
    page.way = "sets"
    out = [lens.name for lens in shown.lenses if lens.latest and lens.latest.verdict in _OUT]
    page.sentence = f"Set {shown.set.name} holds {counted(len(shown.lenses), 'lens')}" + (
        f"; out when last judged: {', '.join(out)}." if out else "; none was out when last judged."
    )
    if not any(lens.latest for lens in shown.lenses):
        page.sentence = (
            f"Set {shown.set.name} holds {counted(len(shown.lenses), 'lens')}; none has been judged yet."
        )
    return render(request, "house/set.html", page, shown=shown)


def _unit_form(
    request: Request,
    page: "Page",
    kind: str,
    form: Form,
    action: str,
    *,
    name: str = "",
    lenses: "tuple[LensView, ...]" = (),
    status: int = 200,
) -> Response:
    page.way = {"body": "bodies", "lens": "lenses", "set": "sets"}[kind]
    page.sentence = f"Change what is known of {kind} {name}." if name else f"Add a {kind}."
    if kind == "set" and name:
        page.sentence = f"Change set {name}."
    return render(
        request,
        f"house/{kind}_form.html",
        page,
        status=status,
        form=form,
        action=action,
        name=name,
        lenses=lenses,
    )


def _kept(
    request: Request,
    page: "Page",
    form: Form,
    *,
    kind: str,
    action: str,
    keep: Callable[[str], str],
    name: str = "",
    lenses: "tuple[LensView, ...]" = (),
) -> Response:
    """Keep what a form says and go to the page of it, or show the form again with what was refused."""
    who = who_of(request, form)
    try:
        made = keep(who)
    except ShimwiseError as error:
        form.refuse(error)
        return _unit_form(request, page, kind, form, action, name=name, lenses=lenses, status=422)
    folder = {"body": "bodies", "lens": "lenses", "set": "sets"}[kind]
    return remember(see(f"/{folder}/{made}"), who)


def _past(
    request: Request,
    page: "Page",
    past: "tuple[PastVerdict, ...]",
    adjustments: "tuple[AdjustmentView, ...]",
    tolerance_um: float,
    width: int,
) -> Response:
    svg = pictures.past_svg(
        past,
        adjustments=adjustments,
        tolerance_um=tolerance_um,
        theme=theme_of(request, page.theme),
        width_px=min(max(width, LEAST_PX), MOST_PX),
    )
    return render(request, "house/past.html", page, picture=Markup(svg))  # noqa: S704 - our own drawing


def _all_lenses(record: "Record") -> "tuple[LensView, ...]":
    return house.list_lenses(record, limit=MOST_CHOSEN).lenses


def _tolerance_um(record: "Record", mount: str, own_um: float | None) -> float:
    chosen = settings(record)
    return own_um or chosen.tolerance_by_mount.get(mount) or chosen.tolerance_um


def _list_sentence(units: tuple[Any, ...], kind: str, *, more: bool, query: Form) -> str:
    if not units:
        return f"No {kind} is called so." if query.text("search") else f"No {kind} is kept yet."
    out = [unit.name for unit in units if unit.latest and unit.latest.verdict in _OUT]
    count = f"{counted(len(units), kind)}{' and more' if more else ''}"
    judged = sum(unit.latest is not None for unit in units)
    if not judged:
        return f"{count}, not judged yet."
    if not out:
        which = "none was" if judged == len(units) else f"of the {judged} that were judged none was"
        return f"{count}; {which} out when last judged."
    names = ", ".join(out[:4]) + (f" and {len(out) - 4} more" if len(out) > 4 else "")
    return f"{count}; out when last judged: {names}."


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
