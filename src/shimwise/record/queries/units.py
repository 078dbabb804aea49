"""Bodies and lenses of the house.

Functions that add or change a unit raise Conflict if the id or the name is another unit's, and functions that
take an id raise NotFound if there is no such unit.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import TypeVar

from sqlalchemy import Connection, or_, select

from shimwise.record.errors import Conflict, NotFound
from shimwise.record.journal import Change
from shimwise.record.names import name_key
from shimwise.record.queries.text_search import contains
from shimwise.record.tables.mapping import (
    changes,
    insert,
    key_of_page,
    rewrite,
    row_by_id,
    row_if_kept,
    rows_of,
    rows_where,
    same_if_kept,
    values_of,
)
from shimwise.record.tables.rows import BodyRow, LensRow, SetRow
from shimwise.record.tables.schema import TABLE_OF, word_of

Unit = TypeVar("Unit", bound=BodyRow | LensRow)
MANY = 500
"""Most rows of a list, and most ids in one query."""


def add_unit(change: Change, row: Unit) -> Unit:
    """Add a body or a lens; the same again changes nothing."""
    kept = same_if_kept(change.connection, row)
    if kept is not None:
        return kept
    refuse_taken(change.connection, row)
    insert(change.connection, row, name_key=name_key(row.name))
    change.note(f"{word_of(type(row))} added", unit_id=row.id, detail={"name": row.name})
    return row


def change_unit(change: Change, row: Unit) -> Unit:
    """Replace the unit of this id; its epoch stays, since adjustments alone raise it."""
    before = row_by_id(change.connection, type(row), row.id)
    row = replace(row, epoch=before.epoch)
    changed = changes(before, row)
    if not changed:
        return before
    refuse_taken(change.connection, row)
    rewrite(change.connection, type(row), row.id, **values_of(row), name_key=name_key(row.name))
    change.note(f"{word_of(type(row))} changed", unit_id=row.id, detail=changed)
    return row


def take_in(change: Change, row: Unit) -> bool:
    """Add a unit of another record; return whether it is known here with other facts, which then stay.

    One that was adjusted further there is put into the epoch it is in there, with the history of that epoch:
    what this record knew was of an earlier one.
    """
    own = row_if_kept(change.connection, type(row), row.id)
    if own is None:
        add_unit(change, row)
        return False
    if own.epoch < row.epoch:
        values = {name: getattr(row, name) for name in ("epoch", "history_mean_um", "history_sd_um")}
        rewrite(change.connection, type(row), row.id, **values)
        detail = {name: [getattr(own, name), value] for name, value in values.items()}
        change.note(f"{word_of(type(row))} adjusted elsewhere", unit_id=row.id, detail=detail)
    return own != row


def unit(connection: Connection, kind: type[Unit], unit_id: str) -> Unit:
    """Return the unit of a kind (``BodyRow`` or ``LensRow``) with this id."""
    return row_by_id(connection, kind, unit_id)


def unit_by_name(connection: Connection, kind: type[Unit], name: str) -> Unit | None:
    """Return the unit with this name, whatever its case, or None."""
    return next(iter(rows_where(connection, kind, name_key=name_key(name))), None)


def units_by_id(connection: Connection, kind: type[Unit], ids: Iterable[str]) -> dict[str, Unit]:
    """Return units by id, in the order asked for."""
    table = TABLE_OF[kind]
    wanted = list(dict.fromkeys(ids))
    found: dict[str, Unit] = {}
    for start in range(0, len(wanted), MANY):
        some = select(table).where(table.c.id.in_(wanted[start : start + MANY]))
        found.update({row.id: row for row in rows_of(connection, some, kind)})
    missing = next((id_ for id_ in wanted if id_ not in found), None)
    if missing is not None:
        raise NotFound(word_of(kind), missing)
    return {id_: found[id_] for id_ in wanted}


def units(
    connection: Connection,
    kind: type[Unit],
    *,
    search: str | None = None,
    limit: int = MANY,
    after: str | None = None,
    has_retired: bool = False,
) -> list[Unit]:
    """Return units by name; ``search``: part of name, serial or mount; ``after``: id of the last seen."""
    table = TABLE_OF[kind]
    wanted = select(table).order_by(table.c.name_key).limit(limit)
    if not has_retired:
        wanted = wanted.where(table.c.is_retired.is_(False))
    if search:
        wanted = wanted.where(
            or_(*(contains(column, search) for column in (table.c.name_key, table.c.serial, table.c.mount)))
        )
    if after:
        wanted = wanted.where(table.c.name_key > key_of_page(connection, kind, after, "name_key"))
    return rows_of(connection, wanted, kind)


def other_names(connection: Connection, row: BodyRow | LensRow) -> list[str]:
    """Return the names of all other units of a kind, retired ones too."""
    table = TABLE_OF[type(row)]
    return list(connection.scalars(select(table.c.name).where(table.c.id != row.id).order_by(table.c.name)))


def refuse_taken(connection: Connection, row: BodyRow | LensRow | SetRow) -> None:
    """Raise Conflict if the name is that of another row of this kind."""
    table, word = TABLE_OF[type(row)], word_of(type(row))
    taken = select(table.c.id).where(table.c.name_key == name_key(row.name), table.c.id != row.id)
    other = connection.execute(taken).scalar_one_or_none()
    if other is not None:
        raise Conflict(
            f"There is a {word} named {row.name} already. Use that one, or give this one another name.",
            kind=word,
            id=other,
        )
