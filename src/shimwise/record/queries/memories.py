"""What the house remembers of its units, whole after each change: the newest is in force, a few are kept.

A memory follows from what was signed and moved, so that an older one is no loss: it is kept for as long as
taking back a signature may ask for it.
"""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, func, select

from shimwise.record.journal import Change
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import insert, rows_of
from shimwise.record.tables.rows import MemoryRow

KEPT = 12
"""Memories kept, the one in force among them."""
_T = schema.memories


def newest_memory(connection: Connection) -> MemoryRow | None:
    """Return the memory in force, or None if the house has signed nothing."""
    found = rows_of(connection, select(_T).order_by(_T.c.seq.desc()).limit(1), MemoryRow)
    return found[0] if found else None


def newest_seq(connection: Connection) -> int:
    """Return the number of the memory in force, 0 without any: it changes whenever the memory does."""
    return int(connection.execute(select(func.max(_T.c.seq))).scalar() or 0)


def memories(connection: Connection) -> list[MemoryRow]:
    """Return the memories that are kept, newest first."""
    return rows_of(connection, select(_T).order_by(_T.c.seq.desc()), MemoryRow)


def add_memory(change: Change, *, prep_id: str, cause: str, document: Mapping[str, Any]) -> None:
    """Put a memory in force; the oldest beyond ``KEPT`` are deleted."""
    seq = newest_seq(change.connection) + 1
    row = MemoryRow(seq=seq, at=change.at, prep_id=prep_id, cause=cause, document=document)
    insert(change.connection, row)
    change.connection.execute(_T.delete().where(_T.c.seq <= seq - KEPT))


def take_back_memory(change: Change, row: MemoryRow) -> None:
    """Take back the memory in force: the one before it is in force again."""
    change.connection.execute(_T.delete().where(_T.c.seq == row.seq))
