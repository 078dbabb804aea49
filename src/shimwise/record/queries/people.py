"""The people whose names are in the record; those with a role sign in with a PIN."""

from uuid import uuid4

from sqlalchemy import Connection, bindparam, func, select

from shimwise.record.errors import NotFound
from shimwise.record.journal import Change
from shimwise.record.names import name_key
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import insert, rewrite, row_by_id, rows_of, rows_where
from shimwise.record.tables.rows import PersonRow

_T = schema.people
_ANY_OF_ROLE = select(_T.c.id).where(_T.c.role == bindparam("wanted_role")).limit(1)  # asked at each change


def remember(connection: Connection, name: str) -> PersonRow:
    """Return a person, made if the name is new. Every change does this for whoever makes it."""
    for known in rows_where(connection, PersonRow, name_key=name_key(name)):
        return known
    row = PersonRow(id=uuid4().hex, name=name)
    insert(connection, row, name_key=name_key(name))
    return row


def with_role(connection: Connection) -> list[PersonRow]:
    """Return the people who have a role, by name."""
    return rows_of(connection, select(_T).where(_T.c.role.is_not(None)).order_by(_T.c.name_key), PersonRow)


def count_with_role(connection: Connection, role: str) -> int:
    """Return how many people have a role."""
    return int(connection.execute(select(func.count()).where(_T.c.role == role)).scalar_one())


def has_role(connection: Connection, role: str) -> bool:
    """Return whether anybody has a role."""
    return connection.execute(_ANY_OF_ROLE, {"wanted_role": role}).first() is not None


def person(connection: Connection, person_id: str) -> PersonRow:
    """Return a person with a role.

    Raises
    ------
    NotFound
        If there is no such person, or the name has no role.
    """
    row = row_by_id(connection, PersonRow, person_id)
    if row.role is None:
        raise NotFound("person", row.name)
    return row


def named(connection: Connection, name: str) -> PersonRow:
    """Return the person with a role who has this name; errors as :func:`person`."""
    for row in rows_where(connection, PersonRow, name_key=name_key(name)):
        if row.role is not None:
            return row
    raise NotFound("person", name)


def give_role(change: Change, person_id: str, *, role: str | None, pin_hash: str | None) -> None:
    """Put a role and the hash of a PIN in the place of those before; None takes them away."""
    rewrite(change.connection, PersonRow, person_id, role=role, pin_hash=pin_hash)
