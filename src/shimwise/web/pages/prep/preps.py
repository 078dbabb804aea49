"""The preps: what is open, what was done, and starting one, also from a label."""

from typing import TYPE_CHECKING
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.responses import Response

from shimwise.bench.house import units
from shimwise.bench.prep import preps
from shimwise.bench.verdict import pictures
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import (
    JudgeDep,
    PageDep,
    PostedDep,
    QueryDep,
    RecordDep,
    remember,
    see,
    who_of,
)
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import counted, render

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.prep.views import PrepLine
    from shimwise.web.pages.view import Page

__all__ = ["router"]

router = APIRouter()
MOST_OPEN, MOST_DONE, MOST_UNITS = 50, 25, 24


@router.get("/")
def list_preps(
    request: Request, record: RecordDep, judge: JudgeDep, page: PageDep, query: QueryDep
) -> Response:
    """Show the preps, and the form that starts one; what comes next, a picture, is made ready meanwhile."""
    if judge is not None:
        pictures.warm_up()
    chosen = {"set_id": query.all("set"), "body_ids": query.all("body")}
    form = Form(values={name: values for name, values in chosen.items() if values})
    return _shown(request, record, page, form, search=query.text("search"), after=query.text("after"))


@router.post("/preps")
def start_prep(request: Request, record: RecordDep, page: PageDep, form: PostedDep) -> Response:
    """Start a prep, and go to its page."""
    who = who_of(request, form)
    try:
        prep = preps.start_prep(
            record,
            who=who,
            body_ids=form.all("body_ids"),
            set_id=form.text("set_id") or None,
            lens_ids=form.all("lens_ids"),
            title=form.text("title"),
            temperature_c=form.number("temperature_c"),
            note=form.text("note"),
        )
    except ShimwiseError as error:
        form.refuse(error)
        return _shown(request, record, page, form, status=422)
    return remember(see(f"/preps/{prep.id}"), who)


@router.get("/label")
def label(request: Request, record: RecordDep, page: PageDep, query: QueryDep) -> Response:
    """Find what a label names: from the text that a scanner types, or a name typed by hand."""
    text = query.text("text")
    if text:
        return _found(request, record, page, text)
    page.way, page.sentence = "preps", "Scan a label, or type the name that stands on the unit."
    return render(request, "label.html", page, form=Form(values={"text": [text]}))


@router.get("/label/{code:path}")
def label_code(request: Request, record: RecordDep, page: PageDep, code: str) -> Response:
    """Go where the QR square of a label leads."""
    return _found(request, record, page, code)


def _found(request: Request, record: "Record", page: "Page", text: str) -> Response:
    found = units.find_label(record, text)
    if found is None:
        form = Form(values={"text": [text]}, refused={"text": f"No body, lens or set is called “{text}”."})
        page.way, page.sentence = "preps", "That label is not known in this house."
        page.second = "Type the name as it stands on the unit, or look it up among bodies, lenses and sets."
        return render(request, "label.html", page, form=form, status=404)
    if found.kind == "lens":
        return see(f"/lenses/{found.id}")
    return see(f"/?{found.kind}={found.id}#start-head")


def _shown(
    request: Request,
    record: "Record",
    page: "Page",
    form: Form,
    *,
    search: str = "",
    after: str = "",
    status: int = 200,
) -> Response:
    opened = preps.list_preps(record, state="open", limit=MOST_OPEN).preps
    done = preps.list_preps(record, state="done", search=search, limit=MOST_DONE, before=after)
    signed = preps.list_preps(record, state="signed", search=search, limit=MOST_DONE) if not after else None
    closed = [*done.preps, *(signed.preps if signed else ())]
    closed.sort(key=lambda one: one.started_at, reverse=True)
    bodies = units.list_bodies(record, limit=MOST_UNITS)
    sets = units.list_sets(record, limit=MOST_UNITS)
    lenses = units.list_lenses(record, limit=4 * MOST_UNITS)
    if not form.all("body_ids") and len(bodies.bodies) == 1:
        form.set("body_ids", bodies.bodies[0].id)
    if "set_id" not in form.values and len(sets.sets) == 1:
        form.set("set_id", sets.sets[0].id)
    page.way = "preps"
    page.sentence, page.second = _sentence(opened, has_bodies=bool(bodies.bodies), has_done=bool(closed))
    return render(
        request,
        "preps.html",
        page,
        status=status,
        form=form,
        open_preps=opened,
        done_preps=closed,
        next_cursor=done.next_cursor,
        search=search,
        bodies=bodies.bodies,
        more_bodies=bool(bodies.next_cursor),
        sets=sets.sets,
        lenses=lenses.lenses,
        has_bodies=bool(bodies.bodies) and bool(lenses.lenses),
        quote=quote,
    )


def _sentence(opened: "tuple[PrepLine, ...]", *, has_bodies: bool, has_done: bool) -> tuple[str, str]:
    if not has_bodies:
        return "Welcome. Nothing is kept yet: first say which bodies and lenses the house has.", ""
    if not opened:
        first = "No prep is open." if has_done else "No prep has been started yet."
        return f"{first} Choose a body and a set to begin.", ""
    newest = opened[0]
    read = counted(newest.reading_count, "reading")
    if len(opened) == 1:
        return f"One prep is open: {newest.title}, {read} so far.", ""
    return f"{counted(len(opened), 'prep')} are open; the newest is {newest.title}, {read} so far.", ""
