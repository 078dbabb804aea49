"""Units that a person or a client names by id: looked up, or refused by the field that named them."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

from shimwise.bench.errors import InputError, NotFound
from shimwise.record.queries import units

if TYPE_CHECKING:
    from shimwise.record import Connection
    from shimwise.record.tables.rows import BodyRow, LensRow

Row = TypeVar("Row")


def known_bodies(connection: "Connection", ids: Sequence[str], *, field: str) -> "dict[str, BodyRow]":
    """Return bodies by id; raise InputError of ``field`` if one is unknown."""
    return _known(units.bodies_by_id, connection, ids, kind="body", field=field)


def known_lenses(connection: "Connection", ids: Sequence[str], *, field: str) -> "dict[str, LensRow]":
    """Return lenses by id; raise InputError of ``field`` if one is unknown."""
    return _known(units.lenses_by_id, connection, ids, kind="lens", field=field)


def _known(
    look_up: Callable[["Connection", Sequence[str]], dict[str, Row]],
    connection: "Connection",
    ids: Sequence[str],
    *,
    kind: str,
    field: str,
) -> dict[str, Row]:
    try:
        return look_up(connection, ids)
    except NotFound as error:
        raise InputError(f"is no {kind} of this house. Add it first.", field=field, typed=error.id) from error
