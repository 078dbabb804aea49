"""Who acts on the command line: the account's name; once the house has a keeper, whoever proves it."""

import os
import sys

import typer

from shimwise.bench.access import accounts
from shimwise.bench.access.acting import Actor
from shimwise.bench.access.acting import Who as Acting
from shimwise.bench.errors import RecordAway, RecordDamaged, RecordTooNew
from shimwise.bench.exchange.record_admin import Record, open_record
from shimwise.cli.record_options import person
from shimwise.errors import RecordError

PIN = "SHIMWISE_PIN"
"""The variable that holds a PIN where nobody can be asked."""


def acting(record: Record, who: str | None) -> Acting:
    """Return who acts: a plain name in a house without a keeper; else a person by PIN, or the console.

    Whoever holds this machine's console can read the record's file and the house's key: without a name the
    console acts as a keeper, but for what a person answers for.
    """
    if not accounts.has_keeper(record):
        return person(who)
    if not who or not who.strip():
        return console()
    return accounts.person_at_console(record, person=who, pin=given_pin(f"PIN of {who.strip()}"))


def console() -> Actor:
    """Return the console of this machine as who acts."""
    return accounts.console_actor(person(None))


def name_of(who: Acting) -> str:
    """Return the name of who acts."""
    return who.name if isinstance(who, Actor) else who


def given_pin(words: str, *, is_new: bool = False) -> str:
    """Return a PIN of the variable, or as it is typed unseen.

    Raises
    ------
    RecordError
        If there is neither.
    """
    given = os.environ.get(PIN)
    if given:
        return given
    if not sys.stdin.isatty():
        raise RecordError(
            f"The PIN is asked for. Put it into the variable {PIN}, or start this in a terminal."
        )
    return str(typer.prompt(words, hide_input=True, confirmation_prompt=is_new))


def acting_on(data: str | None, who: str | None) -> Acting:
    """Return who acts on a record that is to be replaced: of one that cannot be read, a plain name."""
    try:
        with open_record(data, is_read_only=True) as record:
            return acting(record, who)
    except (RecordAway, RecordDamaged, RecordTooNew):
        return person(who)
