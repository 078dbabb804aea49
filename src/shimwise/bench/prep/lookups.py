"""Small looks at the record that use cases share: in which state a prep is, which preps tested a set."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import Text, bindparam, select

from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.house.views import UsedIn
from shimwise.record.queries import units
from shimwise.record.tables import schema

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Connection

    from shimwise.record.tables.rows import BodyRow, LensRow

__all__ = ["PrepState", "known_bodies", "known_lenses", "refuse_unless_open", "set_preps", "state_of"]

_STATE = (  # made once: every reading asks it
    select(schema.preps.c.state, schema.preps.c.revision).where(
        schema.preps.c.id == bindparam("of_prep", type_=Text)
    )
)
_CLOSED = {
    "done": "This prep is closed. Open it again to go on with it, or start another one.",
    "signed": "This prep is signed and stays as it was. Reopen it with a reason, or start another one.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepState:
    """A prep's state and revision."""

    state: str
    revision: int

    @property
    def is_open(self) -> bool:
        """Whether it may be changed."""
        return self.state == "open"


def state_of(connection: "Connection", prep_id: str) -> PrepState:
    """Give a prep's state.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    found = connection.execute(_STATE, {"of_prep": prep_id}).one_or_none()
    if found is None:
        raise NotFound("prep", prep_id)
    return PrepState(state=found.state, revision=found.revision)


def refuse_unless_open(connection: "Connection", prep_id: str) -> PrepState:
    """Give a prep's state if it may be changed.

    Raises
    ------
    NotFound
        When there is no such prep.
    Conflict
        When it is closed or signed.
    """
    found = state_of(connection, prep_id)
    if not found.is_open:
        raise Conflict(_CLOSED[found.state], kind="prep", id=prep_id)
    return found


def known_bodies(connection: "Connection", ids: "Sequence[str]", *, field: str) -> "dict[str, BodyRow]":
    """Give bodies by id.

    Raises
    ------
    InputError
        When one is not known: ``field`` named it.
    """
    try:
        return units.bodies_by_id(connection, ids)
    except NotFound as error:
        raise InputError("is no body of this house. Add it first.", field=field, typed=error.id) from error


def known_lenses(connection: "Connection", ids: "Sequence[str]", *, field: str) -> "dict[str, LensRow]":
    """Give lenses by id; errors as :func:`known_bodies`."""
    try:
        return units.lenses_by_id(connection, ids)
    except NotFound as error:
        raise InputError("is no lens of this house. Add it first.", field=field, typed=error.id) from error


def set_preps(connection: "Connection", set_id: str, *, limit: int) -> tuple[UsedIn, ...]:
    """List the preps that were started with a set, newest first."""
    table = schema.preps
    wanted = (
        select(table.c.id, table.c.title, table.c.state, table.c.started_at, table.c.started_by)
        .where(table.c.set_id == set_id)
        .order_by(table.c.started_at.desc(), table.c.id.desc())
        .limit(limit)
    )
    return tuple(
        UsedIn(
            prep_id=row.id,
            title=row.title,
            state=row.state,
            started_at=row.started_at,
            started_by=row.started_by,
        )
        for row in connection.execute(wanted)
    )
