"""The people of the house, what each role may do, and who is signed in on this device."""

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.access import accounts
from shimwise.bench.access.accounts import PersonView
from shimwise.bench.access.acting import Actor
from shimwise.bench.access.roles import Role
from shimwise.errors import ShimwiseError
from shimwise.web.acting import COOKIE, device_of, keep_session, place_of, token_of
from shimwise.web.pages.deps import PostDep, Visit, VisitDep, see
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import counted
from shimwise.web.security import own_path

router = APIRouter()
CHIPS = 12
"""So many people are shown at one tap; the name of another is typed."""


@router.get("/people")
def show(visit: VisitDep) -> Response:
    """Show the people of the house, and what each role may do."""
    return _shown(visit)


@router.post("/people")
def add(visit: PostDep) -> Response:
    """Add a person."""
    form = visit.form
    with visit.refusing(fields={"pin": "first_pin"}):
        accounts.add_person(
            visit.record,
            name=form.get("name"),
            role=form.text("role"),
            pin=form.text("first_pin"),
            who=visit.who,
        )
        return visit.go("/people?saved=yes")
    return _shown(visit, form)


@router.post("/people/{person_id}")
def change(visit: PostDep, person_id: str) -> Response:
    """Give a person another role, or another PIN."""
    form = visit.form
    with visit.refusing(fields={"pin": "another_pin"}):
        if form.get("another_pin"):
            accounts.set_pin(visit.record, person_id, pin=form.text("another_pin"), who=visit.who)
        else:
            accounts.change_role(visit.record, person_id, role=form.text("role"), who=visit.who)
        return visit.go("/people?saved=yes")
    return _shown(visit, changed=person_id)


@router.post("/people/{person_id}/end")
def end(visit: PostDep, person_id: str) -> Response:
    """Take a person's role away."""
    with visit.refusing():
        accounts.end_person(visit.record, person_id, who=visit.who)
        return visit.go("/people?saved=yes")
    return _shown(visit)


@router.get("/sign-in")
def show_sign_in(visit: VisitDep) -> Response:
    """Show who may sign in on this device."""
    return _sign_in(visit)


@router.post("/sign-in")
def sign_in(visit: PostDep) -> Response:
    """Sign a person in by their PIN, in the place of who was signed in before."""
    form = visit.form
    person = form.text("other") or form.text("person")
    form.set("next", form.text("next"))
    if not person:
        form.refused["person"] = "Tap your name, or type it."
        visit.status = 422
        return _sign_in(visit)
    try:
        _, token = accounts.sign_in(
            visit.record,
            person=person,
            pin=form.text("pin"),
            device=place_of(visit.request),
            device_id=device_of(visit.request),
        )
    except ShimwiseError as error:
        visit.refuse(error, fields={"": "pin"})
        form.refused.setdefault("pin", str(error))
        form.refused.pop("", None)
        return _sign_in(visit)
    _end_before(visit)
    response = see(own_path(form.text("next") or "/"))
    keep_session(visit.request, response, token)
    return response


@router.post("/sign-out")
def sign_out(visit: PostDep) -> Response:
    """Sign who is signed in on this device out."""
    _end_before(visit)
    response = see("/sign-in")
    response.delete_cookie(COOKIE, path="/")
    return response


@router.post("/people/{person_id}/own-pin")
def own_pin(visit: PostDep, person_id: str) -> Response:
    """Change the PIN of who is signed in."""
    form = visit.form
    del person_id  # of who is signed in, whatever the address names
    with visit.refusing():
        accounts.change_own_pin(
            visit.record,
            old=form.text("old"),
            new=form.text("new"),
            who=visit.who,
            device=place_of(visit.request),
        )
        return see("/sign-in")
    return _shown(visit)


def _end_before(visit: Visit) -> None:
    token = token_of(visit.request)
    if token:
        accounts.sign_out(visit.record, token)


def _sign_in(visit: Visit) -> Response:
    known = accounts.people(visit.record)
    wanted = visit.form.text("next")
    sentence = "Who are you?" if known else "Nobody has a PIN here yet: names are believed."
    return visit.show(
        "people/sign_in.html",
        sentence=sentence,
        people=_ordered(visit, known)[:CHIPS],
        more=len(known) > CHIPS,
        next=own_path(wanted or "/"),
    )


def _ordered(visit: Visit, known: tuple[PersonView, ...]) -> list[PersonView]:
    """Put who is signed in last: the device is handed to somebody else."""
    actor = visit.actor
    own = actor.person_id if actor else ""
    return sorted(known, key=lambda one: one.id == own)


def _shown(visit: Visit, form: Form | None = None, *, changed: str = "") -> Response:
    """Show the people; ``form``: of one who could not be added; ``changed``: who could not be changed."""
    known, actor = accounts.people(visit.record), visit.actor
    rules = accounts.rules()
    return visit.show(
        "people/people.html",
        sentence=_sentence(known),
        second="" if known else FIRST_WORDS,
        people=known,
        rules=[(role, [one for one in rules if one.least == role]) for role in Role],
        roles=[(str(role), str(role)) for role in Role],
        adding=form or Form.filled(role=str(Role.TECHNICIAN)),
        changed=changed,
        blank=Form(),
        is_keeper=isinstance(actor, Actor) and actor.role is Role.KEEPER,
        own_id=actor.person_id if actor else "",
        saved=visit.request.query_params.get("saved", ""),
        has_devices=getattr(visit.request.app.state, "has_devices", False),
    )


FIRST_WORDS = (
    "Whoever sees these pages may do everything, under any name. To have names proved by a PIN, name the "
    "first keeper on the console of this machine: shimwise people add NAME --role keeper"
)


def _sentence(known: tuple[PersonView, ...]) -> str:
    if not known:
        return "No keeper is named yet: names are believed here."
    named = counted(len(known), "name")
    return f"{named} of this house {'is' if len(known) == 1 else 'are'} proved by a PIN."
