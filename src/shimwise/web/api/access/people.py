"""People and what their roles may do, and signing in by a PIN."""

from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import Request, Response
from pydantic import Field, StringConstraints

from shimwise.bench.access import accounts
from shimwise.bench.access.accounts import PersonView, RuleView
from shimwise.web.acting import COOKIE, device_of, keep_session, place_of, token_of
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.kinds import PLAIN, Id, In, Name, Who
from shimwise.web.problems import documented

router = AnswerRouter(tags=["people"], responses=documented(422, 503))
RoleIn = Literal["reader", "technician", "lead", "keeper"]
PinIn = Annotated[
    str, StringConstraints(min_length=1, max_length=40, pattern=PLAIN), Field(examples=["4071"])
]
SIGNING_IN = {**WRITES, "responses": {**WRITES["responses"], **documented(429)}}


@dataclass(frozen=True, slots=True)
class People:
    """The people of the house, and what each role may do; empty before the first keeper is named."""

    people: tuple[PersonView, ...]
    rules: tuple[RuleView, ...]


@dataclass(frozen=True, slots=True)
class SignedIn:
    """Who acts by this request: a person or a program; ``role`` is null of somebody who is not known."""

    name: str
    role: RoleIn | None
    is_person: bool


class PersonIn(In):
    """A person to be added."""

    name: Name
    role: RoleIn
    pin: PinIn
    who: Who


class RoleChange(In):
    """Another role of a person, or another PIN, or both."""

    role: RoleIn | None = None
    pin: PinIn | None = None
    who: Who


class Ending(In):
    """Who does it."""

    who: Who


class SessionIn(In):
    """Who signs in."""

    name: Name
    pin: PinIn


@router.get("/people")
def people(record: RecordDep) -> People:
    """List the people of the house, and what each role may do."""
    return People(accounts.people(record), accounts.rules())


@router.post("/people", status_code=201, **WRITES)
def add_person(call: CallDep, new: PersonIn) -> PersonView:
    """Add a person; the first keeper is named on the console of the machine alone."""
    return accounts.add_person(call.record, name=new.name, role=new.role, pin=new.pin, who=call.who(new.who))


@router.put("/people/{person_id}", **WRITES)
def change_person(call: CallDep, person_id: Id, change: RoleChange) -> PersonView:
    """Give a person another role, or another PIN, by which they are signed out everywhere."""
    who = call.who(change.who)
    found = None
    if change.pin is not None:
        found = accounts.set_pin(call.record, person_id, pin=change.pin, who=who)
    if change.role is not None or found is None:
        found = accounts.change_role(call.record, person_id, role=change.role or "", who=who)
    return found


@router.post("/people/{person_id}/end", status_code=204, **WRITES)
def end_person(call: CallDep, person_id: Id, done: Ending) -> None:
    """Take a person's role away; what they did stays under their name."""
    accounts.end_person(call.record, person_id, who=call.who(done.who))


@router.get("/sessions")
def session(call: CallDep) -> SignedIn:
    """Tell who acts by this request."""
    actor = call.actor
    if actor is None or actor.role is None:
        return SignedIn("", None, False)
    return SignedIn(actor.name, actor.role.value, actor.is_person)


@router.post("/sessions", status_code=201, **SIGNING_IN)
def sign_in(record: RecordDep, request: Request, response: Response, sent: SessionIn) -> PersonView:
    """Sign a person in by their PIN: the answer sets a cookie. After five wrong PINs it asks to wait."""
    found, token = accounts.sign_in(
        record,
        person=sent.name,
        pin=sent.pin,
        device=place_of(request),
        device_id=device_of(request),
    )
    keep_session(request, response, token)
    return found


@router.post("/sessions/end", status_code=204, **WRITES)
def sign_out(record: RecordDep, request: Request, response: Response) -> None:
    """Sign out who is signed in."""
    token = token_of(request)
    if token:
        accounts.sign_out(record, token)
    response.delete_cookie(COOKIE, path="/")
