"""An adjustment as its lines in the journal: begun, answered, taken back, and how it ended."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from shimwise.bench.adjust.moves import MovePlan
from shimwise.bench.errors import NotFound
from shimwise.record import Connection, journal
from shimwise.record.tables.rows import JournalRow
from shimwise.remedy.adjustment import Adjustment
from shimwise.remedy.adjustment_steps import Guide

MANY = 10**9
BEGUN, ANSWERED, TAKEN_BACK = "adjustment begun", "adjustment step answered", "adjustment step taken back"
PLANNED, GIVEN_UP, STOPPED = "adjustment planned", "adjustment given up", "adjustment stopped at a lock"
FINISHED = "unit adjusted"
"""The line that the record writes with every adjustment that is kept."""


@dataclass(slots=True)
class KeptAdjustment:
    """An adjustment rebuilt from the journal."""

    id: str
    prep_id: str
    unit_kind: str
    unit_id: str
    epoch: int
    begun_at: datetime
    begun_by: str
    begun: Mapping[str, Any]
    plan: MovePlan
    events: list[Mapping[str, Any]] = field(default_factory=list)
    state: str = "begun"
    words: list[str] = field(default_factory=list)

    @property
    def adjustment(self) -> Adjustment:
        """The adjustment, each event checked against the rules again."""
        whole = {**self.begun, "planned": self.plan.move.to_json(), "events": self.events}
        return Adjustment.from_json(whole)

    @property
    def guide(self) -> Guide:
        """What is adjusted, and how."""
        return Guide(self.begun["guide"])

    @property
    def unit_name(self) -> str:
        """Name of the unit when it was begun."""
        return str(self.begun["unit"])


def all_kept(connection: Connection, prep_id: str) -> list[KeptAdjustment]:
    """Return the adjustments of a prep in the order they were begun."""
    found: dict[str, KeptAdjustment] = {}
    for line in journal.journal_after(connection, 0, prep_id=prep_id, limit=MANY):
        adjustment_id = line.detail.get("adjustment_id", "")
        if line.what == BEGUN:
            found[adjustment_id] = _from_line(line)
        elif adjustment_id in found:
            _take_line(found[adjustment_id], line)
    return list(found.values())


def _from_line(line: JournalRow) -> KeptAdjustment:
    detail = line.detail
    return KeptAdjustment(
        id=detail["adjustment_id"],
        prep_id=line.prep_id or "",
        unit_kind=detail["unit_kind"],
        unit_id=line.unit_id or "",
        epoch=detail["epoch"],
        begun_at=line.at,
        begun_by=line.who,
        begun=detail["adjustment"],
        plan=MovePlan.from_json(detail["plan"]),
    )


def _take_line(kept: KeptAdjustment, line: JournalRow) -> None:
    detail = line.detail
    if line.what in (ANSWERED, TAKEN_BACK):
        kept.events.append(detail["event"])
    if line.what == TAKEN_BACK:
        event = detail["event"]
        kept.words.append(f"{event['step']}, by {event['who']}: {event['reason']}")
    elif line.what == PLANNED:
        kept.plan = MovePlan.from_json(detail["plan"])
    elif line.what == GIVEN_UP:
        kept.state = "given up"
        kept.words.append(f"all of it, by {line.who}: {detail['reason']}")
    elif line.what == STOPPED:
        kept.state = "stopped"
    elif line.what == FINISHED:
        kept.state = "finished"


def find_kept(connection: Connection, prep_id: str, adjustment_id: str) -> KeptAdjustment | None:
    """Return the adjustment with this id; None if the prep has none."""
    return next((kept for kept in all_kept(connection, prep_id) if kept.id == adjustment_id), None)


def found_kept(connection: Connection, prep_id: str, adjustment_id: str) -> KeptAdjustment:
    """Return the adjustment with this id; raise NotFound if the prep has none."""
    kept = find_kept(connection, prep_id, adjustment_id)
    if kept is None:
        raise NotFound("adjustment", adjustment_id)
    return kept
