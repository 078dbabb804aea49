"""The people whose names stand in the record."""

from typing import TYPE_CHECKING
from uuid import uuid4

from sqlalchemy import Connection, select

from shimwise.record.names import name_key
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import from_mapping, rows_of
from shimwise.record.tables.rows import PersonRow

if TYPE_CHECKING:
    from shimwise.record.record import Change

__all__ = ["people", "person_by_name", "remember"]

_T = schema.people


def people(connection: Connection, *, limit: int = 500) -> list[PersonRow]:
    """List all people by name."""
    return rows_of(connection, select(_T).order_by(_T.c.name_key).limit(limit), PersonRow)


def person_by_name(connection: Connection, name: str) -> PersonRow | None:
    """Find a person by name, whatever its case."""
    found = connection.execute(select(_T).where(_T.c.name_key == name_key(name))).mappings().one_or_none()
    return None if found is None else from_mapping(PersonRow, found)


def remember(change: "Change", name: str) -> PersonRow:
    """Give a person, made when the name is new. Every change does this for whoever makes it."""
    known = person_by_name(change.connection, name)
    if known is not None:
        return known
    row = PersonRow(id=uuid4().hex, name=name)
    change.connection.execute(_T.insert(), {"id": row.id, "name": name, "name_key": name_key(name)})
    return row
