"""A change of the record, and the journal: who did what, and when.

Lines are only ever added, and numbered without holes. They are a hash chain: the head at a line depends on
that line and on all before it, so a head that was signed fixes them (S. Haber, W. S. Stornetta, *How to
time-stamp a digital document*, Journal of Cryptology 3, 1991).
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, bindparam, func, select

from shimwise.record.hearing import CHANGED
from shimwise.record.tables import schema
from shimwise.record.tables.columns import json_text
from shimwise.record.tables.mapping import rows_of, values_of
from shimwise.record.tables.rows import JournalRow

MOST_NAMED = 8
"""So many preps that changed at once are announced one by one."""
_T = schema.journal
_WRITTEN = (_T.c.at, _T.c.who, _T.c.what, _T.c.prep_id, _T.c.unit_id, _T.c.detail)
_ADDING = (  # made once: every change of the record adds a line
    _T.insert()
    .from_select(
        [_T.c.seq, *_WRITTEN],
        select(
            # Changes come one at a time, so the numbers rise in the order in which they are committed.
            func.coalesce(func.max(_T.c.seq), 0) + 1,
            *(bindparam(f"line_{column.name}", type_=column.type) for column in _WRITTEN),
        ),
    )
    .returning(_T.c.seq)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change that is being made: in one transaction, by one person, at one time.

    ``notices``: topics with payloads, heard once the change is kept.
    """

    connection: Connection
    at: datetime
    who: str
    notices: set[tuple[str, str]] = field(default_factory=set)

    def notify(self, topic: str, payload: str = "") -> None:
        """Have a notice heard by who hears the record, here and on its other servers, once this is kept."""
        self.notices.add((topic, payload))

    def heard(self) -> list[tuple[str, str]]:
        """Return what is heard of it; of many preps that have changed, that any has."""
        changed = {notice for notice in self.notices if notice[0] == CHANGED}
        if len(changed) > MOST_NAMED or (CHANGED, "") in changed:
            return [(CHANGED, ""), *sorted(self.notices - changed)]
        return sorted(self.notices)

    def note(
        self,
        what: str,
        *,
        prep_id: str | None = None,
        unit_id: str | None = None,
        detail: Mapping[str, Any] | None = None,
    ) -> int:
        """Add a line to the journal; return its number. That the prep has changed, or the house, is heard."""
        self.notify(CHANGED, prep_id or "")
        values = {
            "line_at": self.at,
            "line_who": self.who,
            "line_what": what,
            "line_prep_id": prep_id,
            "line_unit_id": unit_id,
            "line_detail": dict(detail or {}),
        }
        return int(self.connection.execute(_ADDING, values).scalar_one())


def add_lines(change: Change, rows: Sequence[JournalRow]) -> None:
    """Add lines of another record, in their order, under numbers of this journal."""
    first = last_seq(change.connection) + 1  # changes come one at a time, so nobody else takes a number
    values = [values_of(replace(row, seq=first + at)) for at, row in enumerate(rows)]
    if values:
        change.connection.execute(_T.insert(), values)


def journal_after(
    connection: Connection, seq: int, *, prep_id: str | None = None, limit: int = 1000
) -> list[JournalRow]:
    """Return the lines after ``seq`` in their order; of one prep, or of all."""
    wanted = select(_T).where(_T.c.seq > seq).order_by(_T.c.seq).limit(limit)
    if prep_id is not None:
        wanted = wanted.where(_T.c.prep_id == prep_id)
    return rows_of(connection, wanted, JournalRow)


def journal_of_unit(connection: Connection, unit_id: str, *, limit: int = 200) -> list[JournalRow]:
    """Return the latest lines about a body or a lens, newest first."""
    wanted = select(_T).where(_T.c.unit_id == unit_id).order_by(_T.c.seq.desc()).limit(limit)
    return rows_of(connection, wanted, JournalRow)


def taken_in(connection: Connection) -> dict[str, JournalRow]:
    """Return the line by which each prep was taken in from another record, by the prep's id."""
    # Such a line belongs to no prep itself, and those are few: their index is walked, not the journal.
    wanted = select(_T).where(_T.c.prep_id.is_(None), _T.c.what == TAKEN_IN).order_by(_T.c.seq)
    return {str(row.detail.get("prep_id")): row for row in rows_of(connection, wanted, JournalRow)}


TAKEN_IN = "prep imported"
GENESIS = hashlib.sha256(b"shimwise.journal/1").hexdigest()
"""The head of a journal without lines."""
_AT_ONCE = 1000


def heads_after(connection: Connection, seq: int = 0, head: str = GENESIS) -> Iterator[tuple[int, str]]:
    """Yield the number of each line after ``seq``, at which the head is ``head``, and the head there."""
    wanted = select(_T).where(_T.c.seq > seq).order_by(_T.c.seq).execution_options(yield_per=_AT_ONCE)
    with connection.execute(wanted) as found:
        for line in found:
            values = (line.seq, line.at.isoformat(timespec="microseconds"), *line[2:])
            text = json_text([head, *values])
            head = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
            yield int(line.seq), head


def last_seq(connection: Connection, *, prep_id: str | None = None) -> int:
    """Return the number of the last line, 0 without any; of one prep, or of all."""
    wanted = select(func.max(_T.c.seq))
    if prep_id is not None:
        wanted = wanted.where(_T.c.prep_id == prep_id)
    return int(connection.execute(wanted).scalar() or 0)
