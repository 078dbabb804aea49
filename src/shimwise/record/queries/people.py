"""The people whose names are in the record."""

from uuid import uuid4

from sqlalchemy import Connection

from shimwise.record.names import name_key
from shimwise.record.tables.mapping import insert, rows_where
from shimwise.record.tables.rows import PersonRow


def remember(connection: Connection, name: str) -> PersonRow:
    """Return a person, made if the name is new. Every change does this for whoever makes it."""
    for known in rows_where(connection, PersonRow, name_key=name_key(name)):
        return known
    row = PersonRow(id=uuid4().hex, name=name)
    insert(connection, row, name_key=name_key(name))
    return row
