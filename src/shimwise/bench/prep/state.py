"""What a prep stands at, in two words: for devices that look at it and want to know whether it changed."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimwise.bench.errors import NotFound
from shimwise.record.queries import preps, verdicts

if TYPE_CHECKING:
    from shimwise.record import Record

__all__ = ["PrepState", "prep_state"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepState:
    """A prep's revision, and the id of its latest verdict (empty before the first)."""

    revision: int
    verdict_id: str


def prep_state(record: "Record", prep_id: str) -> PrepState | None:
    """Look up what a prep stands at, quickly enough for each second; None where there is no such prep."""
    with record.reading() as connection:
        try:
            prep = preps.prep(connection, prep_id)
        except NotFound:
            return None
        verdict = verdicts.latest_verdict(connection, prep_id)
    return PrepState(revision=prep.revision, verdict_id=verdict.id if verdict else "")
