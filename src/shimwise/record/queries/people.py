"""The people whose names are in the record."""

from uuid import uuid4

from sqlalchemy import Connection, select

from shimwise.record.names import name_key
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import insert, rows_of, rows_where
from shimwise.record.tables.rows import PersonRow

__all__ = ["people", "person_by_name", "remember"]

_T = schema.people


def people(connection: Connection, *, limit: int = 500) -> list[PersonRow]:
    """Return all people by name."""
    return rows_of(connection, select(_T).order_by(_T.c.name_key).limit(limit), PersonRow)


def person_by_name(connection: Connection, name: str) -> PersonRow | None:
    """Return the person with this name, whatever its case, or None."""
    return next(iter(rows_where(connection, PersonRow, name_key=name_key(name))), None)


def remember(connection: Connection, name: str) -> PersonRow:
    """Return a person, made if the name is new. Every change does this for whoever makes it."""
    known = person_by_name(connection, name)
    if known is not None:
        return known
    row = PersonRow(id=uuid4().hex, name=name)
    insert(connection, row, name_key=name_key(name))
    return row
