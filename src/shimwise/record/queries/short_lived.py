"""What holds for minutes, on all servers of a record: codes to pair by, and how often a PIN was tried."""

from datetime import datetime

from sqlalchemy import Connection, select

from shimwise.record.journal import Change
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import insert, rows_where
from shimwise.record.tables.rows import ShortLivedRow

_T = schema.short_lived


def keep(change: Change, row: ShortLivedRow, *, most: int) -> None:
    """Keep a row in the place of the one with its key; what has expired goes, and of ``most`` the first."""
    run = change.connection.execute
    run(_T.delete().where((_T.c.expires_at <= change.at) | (_T.c.key == row.key)))
    newest = select(_T.c.key).where(_T.c.kind == row.kind).order_by(_T.c.expires_at.desc()).limit(most - 1)
    run(_T.delete().where(_T.c.kind == row.kind, _T.c.key.not_in(newest)))
    insert(change.connection, row)


def kept(connection: Connection, key: str, *, now: datetime) -> ShortLivedRow | None:
    """Return the row with a key, unless it has expired."""
    return next((row for row in rows_where(connection, ShortLivedRow, key=key) if row.expires_at > now), None)


def end(change: Change, key: str) -> bool:
    """Remove the row with a key; return whether it was good until now."""
    was_good = kept(change.connection, key, now=change.at) is not None
    change.connection.execute(_T.delete().where(_T.c.key == key))
    return was_good
