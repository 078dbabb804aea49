"""What this record and its home both had when they were last one; nothing in one that never was away."""

from collections.abc import Iterable

from sqlalchemy import Connection, delete, func, select

from shimwise.record.journal import Change
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import insert, rows_of
from shimwise.record.tables.rows import SyncMarkRow

_T = schema.sync_marks


def marks(connection: Connection) -> dict[str, SyncMarkRow]:
    """Return all marks, by the id of what they mark."""
    return {row.id: row for row in rows_of(connection, select(_T), SyncMarkRow)}


def changed_preps(connection: Connection) -> int:
    """Return how many preps have changed here since they were at home, or never were there."""
    lines, preps = schema.journal, schema.preps
    last = (
        select(func.max(lines.c.seq)).where(lines.c.prep_id == preps.c.id).correlate(preps).scalar_subquery()
    )
    wanted = (
        select(func.count())
        .select_from(preps.outerjoin(_T, _T.c.id == preps.c.id))
        .where((_T.c.id.is_(None)) | (last != _T.c.seq))
    )
    return int(connection.execute(wanted).scalar_one())


def keep_marks(change: Change, rows: Iterable[SyncMarkRow]) -> None:
    """Put marks in the place of those before."""
    for row in rows:
        change.connection.execute(delete(_T).where(_T.c.id == row.id))
        insert(change.connection, row)


def drop_marks(change: Change) -> None:
    """Forget all marks: the home is another."""
    change.connection.execute(delete(_T))
