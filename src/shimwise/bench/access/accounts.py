"""The people of the house: names with a role and a PIN of their own, and signing in with it.

A PIN is kept as its Argon2id hash; who is signed in, as the digest of a random token.

References
----------
.. [1] RFC 9106, *Argon2 Memory-Hard Function for Password Hashing*; library ``argon2-cffi``.
.. [2] NIST SP 800-63B, *Digital Identity Guidelines*, 5.1.1 (memorized secrets: limits to guessing, and
   values that everybody tries first).
"""

import secrets
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from uuid import uuid4

from shimwise.bench.access.acting import HOUSE, Actor, Door, Who, changing
from shimwise.bench.access.errors import PinWrong
from shimwise.bench.access.pairing import TOKEN_BYTES, is_secret, token_digest
from shimwise.bench.access.pin_tries import forgive_tries, take_try
from shimwise.bench.access.roles import RULES, Act, Role
from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.typed_names import typed_name
from shimwise.errors import ShimwiseError
from shimwise.fields import build_from
from shimwise.record.names import name_key
from shimwise.record.queries import people as kept
from shimwise.record.queries import settings as kept_settings
from shimwise.record.queries import tokens
from shimwise.record.record import Change, Connection, Record
from shimwise.record.tables.rows import PersonRow, TokenRow

LEADS_KEY = "leads"
LEAST_DIGITS, MOST_DIGITS = 4, 12
SIGNED_IN = timedelta(hours=16)
"""A person is signed in for a working day at most."""
IDLE = timedelta(minutes=10)
"""A device that was not used for so long asks for the PIN again before what counts."""
USE_KEPT = timedelta(seconds=30)
"""When a device was last used is kept as often as this."""
MOST_PEOPLE = 500
FIRST = (
    "The first person of a house is a keeper, named on the console of this machine: shimwise people add NAME "
    "--role keeper."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonView:
    """A person of the house."""

    id: str
    name: str
    role: Role


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleView:
    """A line of the table of roles: what is done, the least role, and how the person is asked."""

    act: str
    words: str
    least: Role
    by_person: bool
    no_program: bool
    asks_again: bool
    at_console: bool


def rules() -> tuple[RuleView, ...]:
    """Return the table of roles, as people and programs are shown it."""
    return tuple(build_from(RuleView, rule, act=str(act)) for act, rule in RULES.items())


def has_keeper(record: Record) -> bool:
    """Return whether the house has named its first keeper: from then on names are proved."""
    with record.reading() as connection:
        return kept.has_role(connection, Role.KEEPER)


def people(record: Record) -> tuple[PersonView, ...]:
    """Return the people who have a role, by name."""
    with record.reading() as connection:
        return tuple(map(_view, kept.with_role(connection)))


def add_person(record: Record, *, name: str, role: str, pin: str, who: Who) -> PersonView:
    """Add a person with a role and a PIN. The first is a keeper, named on this machine's own console.

    From then on names are proved, and programs that had a token have no role until they get another.

    Raises
    ------
    InputError
        If the name, the role or the PIN cannot be.
    Conflict
        If the name has a role already, or the first one is no keeper or does not come from the console.
    """
    wanted, as_role, hashed = typed_name(name, field="name"), _role(role), _hashed(pin)
    is_at_console = isinstance(who, Actor) and who.door is Door.CONSOLE
    with changing(record, who, Act.PEOPLE) as change:
        if not kept.has_role(change.connection, Role.KEEPER):
            if not is_at_console or as_role is not Role.KEEPER:
                raise Conflict(FIRST, kind="person", id=wanted)
            tokens.take_roles_away(change)  # anybody could give a program any role until now
        row = kept.remember(change.connection, wanted)
        if row.role is not None:
            raise Conflict(
                f"{row.name} is a {row.role} here already. Change the role instead.", kind="person", id=row.id
            )
        if len(kept.with_role(change.connection)) >= MOST_PEOPLE:
            raise InputError(f"would be one more than {MOST_PEOPLE} people. End some first.", field="name")
        kept.give_role(change, row.id, role=as_role, pin_hash=hashed)
        change.note("person added", detail={"person": row.name, "role": str(as_role)})
    return PersonView(id=row.id, name=row.name, role=as_role)


def change_role(record: Record, person_id: str, *, role: str, who: Who) -> PersonView:
    """Change a person's role, at once also where they are signed in.

    Raises
    ------
    NotFound, InputError
        If there is no such person or role.
    Conflict
        If nobody would be a keeper any more.
    """
    as_role = _role(role)
    with changing(record, who, Act.PEOPLE) as change:
        row = kept.person(change.connection, person_id)
        if as_role is not Role.KEEPER:
            _refuse_last_keeper(change.connection, row)
        kept.give_role(change, row.id, role=as_role, pin_hash=row.pin_hash)
        change.note("role changed", detail={"person": row.name, "role": str(as_role)})
    return PersonView(id=row.id, name=row.name, role=as_role)


def set_pin(record: Record, person_id: str, *, pin: str, who: Who) -> PersonView:
    """Set another PIN for a person, who is signed out everywhere."""
    hashed = _hashed(pin)
    with changing(record, who, Act.PEOPLE) as change:
        row = kept.person(change.connection, person_id)
        _keep_pin(change, row, hashed)
    return _view(row)


def change_own_pin(record: Record, *, old: str, new: str, who: Who, device: str) -> None:
    """Let a person who is signed in change their own PIN; they are signed out everywhere."""
    if not isinstance(who, Actor) or not who.is_person:
        raise InputError("is asked of who has signed in. Sign in first.", field="old")
    hashed = _hashed(new, field="new")
    check_pin(record, who.person_id, pin=old, device=device)
    with record.writing(who=who.name) as change:
        _keep_pin(change, kept.person(change.connection, who.person_id), hashed)


def end_person(record: Record, person_id: str, *, who: Who) -> None:
    """Take a person's role away; what they did stays under their name.

    Raises
    ------
    NotFound
        If there is no such person.
    Conflict
        If nobody would be a keeper any more.
    """
    with changing(record, who, Act.PEOPLE) as change:
        row = kept.person(change.connection, person_id)
        _refuse_last_keeper(change.connection, row)
        kept.give_role(change, row.id, role=None, pin_hash=None)
        tokens.end_of_person(change, row.id)
        change.note("person ended", detail={"person": row.name})


def leads_in(connection: Connection) -> tuple[str, ...]:
    """Return the leads: who has that role or more; in a house without a keeper, who was named."""
    if kept.has_role(connection, Role.KEEPER):
        rows = kept.with_role(connection)
        return tuple(row.name for row in rows if Role(row.role or Role.READER).includes(Role.LEAD))
    return tuple(kept_settings.setting(connection, LEADS_KEY) or ())


def change_leads_in(change: Change, names: Iterable[str]) -> None:
    """Make leads of exactly these people, beside the keepers, who are leads anyway.

    Raises
    ------
    NotFound
        If one of them is nobody of the house.
    """
    wanted = {kept.named(change.connection, name).id for name in names}
    for row in kept.with_role(change.connection):
        if row.id in wanted and not Role(row.role or Role.READER).includes(Role.LEAD):
            kept.give_role(change, row.id, role=Role.LEAD, pin_hash=row.pin_hash)
        elif row.id not in wanted and row.role == Role.LEAD:
            kept.give_role(change, row.id, role=Role.TECHNICIAN, pin_hash=row.pin_hash)


def asked_by(connection: Connection, who: Who) -> tuple[str, bool]:
    """Return the name of who asks how people repeat, and whether everybody's figures are shown to them.

    A name that nobody proved is none in a house with a keeper.
    """
    if isinstance(who, Actor):
        name = who.name if who.is_person else ""
        return name, who.role is not None and who.role.includes(RULES[Act.SEE_PRIVATE].least)
    if not who.strip() or kept.has_role(connection, Role.KEEPER):
        return "", False
    name = typed_name(who, field="who")
    return name, name_key(name) in map(name_key, leads_in(connection))


def sees_private(connection: Connection, who: str, *, of: str) -> bool:
    """Return whether a plain name may see how a person repeats: their own, or a lead's."""
    return name_key(who) in {name_key(of), *map(name_key, leads_in(connection))}


def find_person(record: Record, name: str) -> PersonView:
    """Return the person of this name; NotFound if the name has no role."""
    with record.reading() as connection:
        return _view(kept.named(connection, name))


def sign_in(
    record: Record, *, person: str, pin: str, device: str, device_id: str = ""
) -> tuple[PersonView, str]:
    """Sign a person in; return who it is, and the token by which they are known from now on.

    Parameters
    ----------
    person : str
        Their id or their name.
    pin : str
        As typed.
    device : str
        What guesses are counted by, with the person: the device, or the address it asks from.
    device_id : str
        Of the paired device; empty where none is.

    Raises
    ------
    PinWrong
        If the person or the PIN is another; it does not name which of the two.
    TooManyTries
        If that person's PIN was tried too often on this device.
    """
    row = check_pin(record, person, pin=pin, device=device)
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with record.writing(who=row.name) as change:
        tokens.add_token(
            change,
            TokenRow(
                id=uuid4().hex,
                kind="session",
                name=row.name,
                digest=token_digest(token),
                made_at=change.at,
                expires_at=change.at + SIGNED_IN,
                how="pin",
                seen_at=change.at,
                person_id=row.id,
                device_id=device_id or None,
            ),
        )
    return _view(row), token


def check_pin(record: Record, person: str, *, pin: str, device: str | None) -> PersonRow:
    """Return the person with this id or name whose PIN it is; errors as :func:`sign_in`.

    ``device`` None: at the console, where tries are not counted.
    """
    with record.reading() as connection:
        row = _person(connection, person)
    key = row.id if row else name_key(person)
    if device is not None:
        take_try(record, key, device)
    if not is_secret(row.pin_hash if row else None, pin) or row is None:
        raise PinWrong
    if device is not None:
        forgive_tries(record, key, device)
    return row


def sign_out(record: Record, token: str) -> None:
    """End the session of a token: who was signed in by it no longer is."""
    with record.reading() as connection:
        found = tokens.token_and_person(connection, token_digest(token))
    if found is not None and found[0].kind == "session":
        with record.writing(who=found[0].name) as change:
            tokens.end_token(change, found[0].id)


def actor_of_token(
    record: Record, token: str, *, door: Door, device_id: str = "", is_use: bool = False
) -> Actor | None:
    """Return who acts by a token: a person who is signed in on this device, or a program; None otherwise.

    ``is_use``: the device is used now, not only looked at.
    """
    with record.reading() as connection:
        found = tokens.token_and_person(connection, token_digest(token))
    if found is None or found[0].expires_at <= record.clock():
        return None
    row, person = found
    if row.kind == "program" and row.role is not None:
        return Actor(name=row.name, role=Role(row.role), door=door)
    if row.kind != "session" or person is None or person.role is None or (row.device_id or "") != device_id:
        return None
    idle = record.clock() - (row.seen_at or row.made_at)
    if is_use and USE_KEPT < idle < IDLE:
        with suppress(ShimwiseError):  # a record that is busy or full makes nobody idle
            prove(record, row.id)
    role = Role(person.role)
    return Actor(name=person.name, role=role, door=door, person_id=person.id, is_fresh=idle < IDLE)


def session_id(record: Record, token: str) -> str:
    """Return the id of a token's session; empty if there is none."""
    with record.reading() as connection:
        found = tokens.token_and_person(connection, token_digest(token))
    return found[0].id if found is not None else ""


def prove(record: Record, session_id: str) -> None:
    """Keep that a session was used now, or its PIN typed."""
    with record.writing(who=HOUSE) as change:
        tokens.see_token(change, session_id)


def prove_again(record: Record, token: str, person_id: str, *, pin: str, device: str) -> None:
    """Take a PIN that was typed again on an idle device; errors as :func:`sign_in`."""
    check_pin(record, person_id, pin=pin, device=device)
    prove(record, session_id(record, token))


def person_at_console(record: Record, *, person: str, pin: str) -> Actor:
    """Return a person who proved by the PIN to be the one at the console; errors as :func:`sign_in`."""
    row = check_pin(record, person, pin=pin, device=None)
    return Actor(
        name=row.name, role=_role(row.role or ""), door=Door.CONSOLE, person_id=row.id, is_fresh=True
    )


def console_actor(account: str) -> Actor:
    """Return who acts at this machine's own console by itself: whoever holds the machine, as a keeper."""
    return Actor(name=f"{account}, at the console", role=Role.KEEPER, door=Door.CONSOLE, is_fresh=True)


def _person(connection: Connection, person: str) -> PersonRow | None:
    for find in (kept.person, kept.named):
        try:
            return find(connection, person)
        except NotFound:
            continue
    return None


def _view(row: PersonRow) -> PersonView:
    return PersonView(id=row.id, name=row.name, role=Role(row.role or Role.READER))


def _keep_pin(change: Change, row: PersonRow, hashed: str) -> None:
    kept.give_role(change, row.id, role=row.role, pin_hash=hashed)
    tokens.end_of_person(change, row.id)
    change.note("PIN changed", detail={"person": row.name})


def _refuse_last_keeper(connection: Connection, row: PersonRow) -> None:
    if row.role == Role.KEEPER and kept.count_with_role(connection, Role.KEEPER) == 1:
        raise Conflict(
            f"{row.name} is the only keeper. Make another person a keeper first.", kind="person", id=row.id
        )


def _role(text: str) -> Role:
    try:
        return Role(text.strip().casefold())
    except ValueError as error:
        raise InputError(f"is no role; accepted is {', '.join(Role)}.", field="role", typed=text) from error


def _hashed(pin: str, *, field: str = "pin") -> str:
    from argon2 import PasswordHasher

    typed = pin.strip()
    if not (typed.isascii() and typed.isdigit() and LEAST_DIGITS <= len(typed) <= MOST_DIGITS):
        raise InputError(f"is no PIN; one has {LEAST_DIGITS} to {MOST_DIGITS} digits.", field=field)
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(typed)}
    if steps in ({0}, {1}, {9}):
        raise InputError(
            "is one that everybody tries first: the same digit, or digits in a row. Take another.",
            field=field,
        )
    return PasswordHasher().hash(typed)
