"""The preps: what is open, what was done, and starting one, also from a label."""

from urllib.parse import quote

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.exchange.sync_words import known_at_home
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.bench.prep import preps
from shimwise.bench.prep.views import PrepLine
from shimwise.bench.verdict import pictures
from shimwise.web.pages.deps import PostDep, Visit, VisitDep, see
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import counted

router = APIRouter()
MOST_OPEN, MOST_DONE, MOST_UNITS = 50, 25, 24


@router.get("/")
def list_preps(visit: VisitDep) -> Response:
    """Show the preps, and the form that starts one; what comes next, a picture, is made ready meanwhile."""
    if visit.judge is not None:
        pictures.warm_up()
    query = visit.form
    chosen = {"set_id": query.all("set"), "body_ids": query.all("body"), "lens_ids": query.all("lens")}
    visit.form = Form(values={name: values for name, values in chosen.items() if values})
    return _shown(visit, search=query.text("search"), after=query.text("after"))


@router.post("/preps")
def start_prep(visit: PostDep) -> Response:
    """Start a prep, and go to its page."""
    form = visit.form
    with visit.refusing(status=422):
        prep = preps.start_prep(
            visit.record,
            who=visit.who,
            body_ids=form.all("body_ids"),
            set_id=form.text("set_id") or None,
            lens_ids=form.all("lens_ids"),
            needs_lens=True,
            **form.read(texts=("title", "note"), numbers=["temperature_c"]),
        )
        return visit.go(f"/preps/{prep.id}")
    return _shown(visit)


@router.get("/label")
def label(visit: VisitDep) -> Response:
    """Find what a label names: from the text that a scanner types, or a name typed by hand."""
    text = visit.form.text("text")
    if text:
        return _found(visit, text)
    return visit.show("label.html", sentence="Scan a label, or type the name that is on the unit.")


@router.get("/label/{code:path}")
def label_code(visit: VisitDep, code: str) -> Response:
    """Go where the QR square of a label leads."""
    return _found(visit, code)


def _found(visit: Visit, text: str) -> Response:
    found = units.find_label(visit.record, text)
    if found is None:
        visit.status = 404
        return visit.show(
            "label.html",
            sentence="That label is not known in this house.",
            second="Type the name as it is on the unit, or look it up among bodies, lenses and sets.",
            form=Form(values={"text": [text]}, refused={"text": f"No body, lens or set is called “{text}”."}),
        )
    if found.kind == "lens":
        return see(f"/lenses/{found.id}")
    return see(f"/?{found.kind}={found.id}#start-head")


def _shown(visit: Visit, *, search: str = "", after: str = "") -> Response:
    record, form = visit.record, visit.form
    opened = preps.list_preps(record, state="open", limit=MOST_OPEN).preps
    done = preps.list_preps(record, state="done", search=search, limit=MOST_DONE, before=after)
    signed = preps.list_preps(record, state="signed", search=search, limit=MOST_DONE) if not after else None
    closed = [*done.preps, *(signed.preps if signed else ())]
    closed.sort(key=lambda one: one.started_at, reverse=True)
    bodies = units.list_units(record, BodyFacts, limit=MOST_UNITS)
    sets = units.list_sets(record, limit=MOST_UNITS).sets
    lenses = units.list_units(record, LensFacts, limit=4 * MOST_UNITS).units
    if not form.all("body_ids") and len(bodies.units) == 1:
        form.set("body_ids", bodies.units[0].id)
    if "set_id" not in form.values and len(sets) == 1:
        form.set("set_id", sets[0].id)
    sentence = _sentence(
        opened, has_bodies=bool(bodies.units), has_lenses=bool(lenses), has_done=bool(closed)
    )
    return visit.show(
        "preps.html",
        sentence=sentence,
        open_preps=opened,
        done_preps=closed,
        next_cursor=done.next_cursor,
        search=search,
        bodies=bodies,
        sets=sets,
        lenses=lenses,
        quote=quote,
        at_home=known_at_home(record),
    )


def _sentence(opened: tuple[PrepLine, ...], *, has_bodies: bool, has_lenses: bool, has_done: bool) -> str:
    if not has_bodies and not has_lenses:
        return "Welcome. Nothing is kept yet: first say which bodies and lenses the house has."
    if not (has_bodies and has_lenses):
        have, missing = ("a body", "lenses") if has_bodies else ("lenses", "bodies")
        return (
            f"The house has {have} and no {missing} yet: add {'a lens' if has_bodies else 'a body'} to begin."
        )
    if not opened:
        first = "No prep is open." if has_done else "No prep has been started yet."
        return f"{first} Choose a body and a set to begin."
    newest = opened[0]
    read = counted(newest.reading_count, "reading")
    if len(opened) == 1:
        return f"One prep is open: {newest.title}, {read} so far."
    return f"{counted(len(opened), 'prep')} are open; the newest is {newest.title}, {read} so far."
