"""Who is acting, from which door, and the one way in which a use case changes the record.

An :class:`Actor` is a value that a door makes of what somebody proved, and hands to the bench. In a house
without a keeper there are plain names, and everybody is believed. Once there is a keeper, a plain name may
change nothing.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from shimwise.bench.access.errors import NotAllowed, PersonNeeded, PinNeeded, SignInNeeded
from shimwise.bench.access.roles import RULES, Act, Role
from shimwise.bench.typed_names import typed_name
from shimwise.record.names import name_key
from shimwise.record.queries import people
from shimwise.record.record import Change, Connection, Record


class Door(StrEnum):
    """Where somebody comes in."""

    PAGE = "page"
    INTERFACE = "interface"
    CONSOLE = "console"


@dataclass(frozen=True, slots=True, kw_only=True)
class Actor:
    """Who acts, as a door found it: of whom nothing is known the role is None.

    ``person_id``: of who signed in with a PIN; empty of a program and of the console by itself. ``is_fresh``:
    whether the PIN was typed, or the device used, within the time after which it is asked for again.
    """

    name: str
    role: Role | None
    door: Door
    person_id: str = ""
    is_fresh: bool = False

    @property
    def is_person(self) -> bool:
        """Whether a person proved to be the one."""
        return bool(self.person_id)


HOUSE = "the house"
"""Name under which the program itself does something for the house."""
Who: TypeAlias = str | Actor
"""A plain name, or who has proved what."""


def permitted(who: Who, act: Act, *, field: str = "who") -> str:
    """Return the name under which an act is kept, if the role of who acts allows it.

    A plain name passes here, and is refused by :func:`changing` where the house has a keeper.

    Raises
    ------
    SignInNeeded
        If nobody is known to act.
    NotAllowed
        If the role is not enough.
    PersonNeeded
        If a person has to sign in for it, and a program or the console acts.
    PinNeeded
        If the device was idle, and the act is one before which the PIN is asked for again.
    InputError
        If a plain name is none.
    """
    if not isinstance(who, Actor):
        return typed_name(who, field=field)
    rule = RULES[act]
    if who.role is None:
        raise SignInNeeded(act)
    if not who.role.includes(rule.least):
        raise NotAllowed(act, name=who.name, role=who.role)
    needs_person = rule.by_person or (rule.no_program and who.door is not Door.CONSOLE)
    if needs_person and not who.is_person:
        raise PersonNeeded(act, door=who.door)
    if rule.asks_again and who.is_person and not who.is_fresh:
        raise PinNeeded(act)
    return who.name


@contextmanager
def changing(record: Record, who: Who, act: Act, *, is_keeper_asked: bool = True) -> Iterator[Change]:
    """Change the record for an act, if the role allows it; as :meth:`Record.writing`, errors as permitted.

    ``is_keeper_asked`` is False where the change itself asks, in one statement with what it looks up, whether
    the house has a keeper, and calls :func:`refuse_unproved_if`.
    """
    name = permitted(who, act)
    with record.writing(who=name) as change:
        if is_keeper_asked:
            refuse_unproved(change.connection, who, act)
        yield change


def refuse_unproved(connection: Connection, who: Who, act: Act) -> None:
    """Refuse a plain name where the house has a keeper."""
    if not isinstance(who, Actor):
        refuse_unproved_if(who, act, has_keeper=people.has_role(connection, Role.KEEPER))


def refuse_unproved_if(who: Who, act: Act, *, has_keeper: bool) -> None:
    """Refuse a plain name where the house is known to have a keeper."""
    if has_keeper and not isinstance(who, Actor):
        raise SignInNeeded(act)


def allowed(record: Record, who: Who, act: Act) -> str:
    """Return the name for an act that changes nothing in the record itself; errors as :func:`permitted`."""
    name = permitted(who, act)
    if not isinstance(who, Actor):
        with record.reading() as connection:
            refuse_unproved(connection, who, act)
    return name


def refuse_anothers(who: Who, kept_by: str, *, act: Act = Act.WITHDRAW_ANOTHERS) -> None:
    """Refuse unless what somebody kept is theirs, or their role allows the act on another's."""
    if isinstance(who, Actor) and not (who.is_person and name_key(who.name) == name_key(kept_by)):
        permitted(who, act)
