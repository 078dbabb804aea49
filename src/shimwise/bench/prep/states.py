"""The states of a prep, and the refusal to change one that is closed or signed."""

from dataclasses import dataclass

from shimwise.bench.errors import Conflict, NotFound
from shimwise.record.queries import lookups, preps, verdicts
from shimwise.record.record import Connection, Record

OPEN, DONE, SIGNED = "open", "done", "signed"
STATES = (OPEN, DONE, SIGNED)
_CLOSED = {
    DONE: "This prep is closed. Open it again to go on with it, or start another one.",
    SIGNED: "This prep is signed and stays as it was. Reopen it with a reason, or start another one.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepVersion:
    """What changes with a prep: its revision, and the id of its latest verdict (empty before the first)."""

    revision: int
    verdict_id: str


def prep_version(record: Record, prep_id: str) -> PrepVersion | None:
    """Return the version of a prep, quickly enough to be asked each second; None if there is no such prep."""
    with record.reading() as connection:
        try:
            prep = preps.prep(connection, prep_id)
        except NotFound:
            return None
        verdict = verdicts.latest_verdict(connection, prep_id)
    return PrepVersion(revision=prep.revision, verdict_id=verdict.id if verdict else "")


def refuse_unless_open(connection: Connection, prep_id: str) -> None:
    """Raise Conflict if a prep is closed or signed, NotFound if there is none."""
    refuse_closed(lookups.prep_state(connection, prep_id).state, prep_id)


def refuse_closed(state: str, prep_id: str) -> None:
    """Raise Conflict for the state of a prep that is closed or signed."""
    if state != OPEN:
        raise Conflict(_CLOSED[state], kind="prep", id=prep_id)
