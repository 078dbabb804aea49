"""The journal: who did what, and when. Lines are only ever added, and numbered without holes."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, func, literal, select

from shimwise.records.store import tables
from shimwise.records.store.mapping import rows_of
from shimwise.records.store.rows import JournalRow

if TYPE_CHECKING:
    from shimwise.records.store.record import Change

__all__ = ["add_line", "journal_after", "journal_of_unit", "last_seq"]

_T = tables.journal


def add_line(
    change: "Change", what: str, *, prep_id: str | None, unit_id: str | None, detail: Mapping[str, Any]
) -> int:
    """Add a line; gives its number. Changes come one at a time, so the numbers rise as they are committed."""
    line = select(
        func.coalesce(func.max(_T.c.seq), 0) + 1,
        literal(change.at, _T.c.at.type),
        literal(change.who, _T.c.who.type),
        literal(what, _T.c.what.type),
        literal(prep_id, _T.c.prep_id.type),
        literal(unit_id, _T.c.unit_id.type),
        literal(dict(detail), _T.c.detail.type),
    )
    columns = [_T.c.seq, _T.c.at, _T.c.who, _T.c.what, _T.c.prep_id, _T.c.unit_id, _T.c.detail]
    adding = _T.insert().from_select(columns, line).returning(_T.c.seq)
    return int(change.connection.execute(adding).scalar_one())


def journal_after(
    connection: Connection, seq: int, *, prep_id: str | None = None, limit: int = 1000
) -> list[JournalRow]:
    """Give the lines after ``seq`` in their order; of one prep, or of all."""
    wanted = select(_T).where(_T.c.seq > seq).order_by(_T.c.seq).limit(limit)
    if prep_id is not None:
        wanted = wanted.where(_T.c.prep_id == prep_id)
    return rows_of(connection, wanted, JournalRow)


def journal_of_unit(connection: Connection, unit_id: str, *, limit: int = 200) -> list[JournalRow]:
    """Give the latest lines about a body or a lens, newest first."""
    wanted = select(_T).where(_T.c.unit_id == unit_id).order_by(_T.c.seq.desc()).limit(limit)
    return rows_of(connection, wanted, JournalRow)


def last_seq(connection: Connection, *, prep_id: str | None = None) -> int:
    """Give the number of the last line, 0 without any; of one prep, or of all."""
    wanted = select(func.max(_T.c.seq))
    if prep_id is not None:
        wanted = wanted.where(_T.c.prep_id == prep_id)
    return int(connection.execute(wanted).scalar() or 0)
