"""Units that a person or a client names by id: looked up, or refused by the field that named them."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from shimwise.bench.errors import InputError, NotFound
from shimwise.record import Connection
from shimwise.record.queries import units
from shimwise.record.queries.units import Unit
from shimwise.record.tables.schema import word_of


def known_units(
    connection: Connection, kind: type[Unit], ids: Sequence[str], *, field: str
) -> dict[str, Unit]:
    """Return units of a kind (``BodyRow`` or ``LensRow``) by id; raise InputError if one is unknown."""
    try:
        return units.units_by_id(connection, kind, ids)
    except NotFound as error:
        word = word_of(kind)
        raise InputError(f"is no {word} of this house. Add it first.", field=field, typed=error.id) from error


@contextmanager
def known_cursor(cursor: str) -> Iterator[None]:
    """Raise InputError if nothing has the id that the cursor of a list is."""
    try:
        yield
    except NotFound as error:
        raise InputError(
            "is no cursor of this list. Begin at its first page.", field="cursor", typed=cursor
        ) from error
