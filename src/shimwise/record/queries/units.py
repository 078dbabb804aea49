"""Bodies and lenses of the house."""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import Connection, Table, or_, select, update

from shimwise.record.errors import Conflict, NotFound
from shimwise.record.names import name_key
from shimwise.record.queries.text_search import contains
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import (
    field_names,
    from_mapping,
    insert,
    one,
    page_key,
    rows_of,
    same_or_conflict,
    values_of,
)
from shimwise.record.tables.rows import BodyRow, LensRow

if TYPE_CHECKING:
    from shimwise.record.record import Change

__all__ = [
    "add_body",
    "add_lens",
    "bodies",
    "bodies_by_id",
    "body",
    "body_by_name",
    "change_body",
    "change_lens",
    "lens",
    "lens_by_name",
    "lenses",
    "lenses_by_id",
    "take_in",
]

Unit = TypeVar("Unit", BodyRow, LensRow)
_KINDS: dict[type[Any], tuple[Table, str]] = {
    BodyRow: (schema.bodies, "body"),
    LensRow: (schema.lenses, "lens"),
}
MANY = 500


def add_body(change: "Change", row: BodyRow) -> BodyRow:
    """Add a body; the same again changes nothing.

    Raises
    ------
    Conflict
        When the id or the name is another body's.
    """
    return _add(change, row)


def add_lens(change: "Change", row: LensRow) -> LensRow:
    """Add a lens; the same again changes nothing.

    Raises
    ------
    Conflict
        When the id or the name is another lens's.
    """
    return _add(change, row)


def change_body(change: "Change", row: BodyRow) -> BodyRow:
    """Put ``row`` in the place of the body of its id; its epoch is left, adjustments alone raise it.

    Raises
    ------
    NotFound
        When there is no such body.
    Conflict
        When the new name is another body's.
    """
    return _change(change, row)


def change_lens(change: "Change", row: LensRow) -> LensRow:
    """Put ``row`` in the place of the lens of its id; its epoch is left, adjustments alone raise it.

    Raises
    ------
    NotFound
        When there is no such lens.
    Conflict
        When the new name is another lens's.
    """
    return _change(change, row)


def take_in(change: "Change", row: Unit) -> bool:
    """Take in a unit of another record; gives whether it is known here with other facts, which then stand.

    One that was adjusted further there is put into the epoch it is in there, with the history of that epoch:
    what this record knew was of an earlier one.

    Raises
    ------
    Conflict
        When the name is another unit's.
    """
    table, kind = _KINDS[type(row)]
    found = change.connection.execute(select(table).where(table.c.id == row.id)).mappings().one_or_none()
    if found is None:
        _add(change, row)
        return False
    own: Unit = from_mapping(type(row), found)
    if own.epoch < row.epoch:
        values = {name: getattr(row, name) for name in ("epoch", "history_mean_um", "history_sd_um")}
        change.connection.execute(update(table).where(table.c.id == row.id).values(values))
        detail = {name: [getattr(own, name), value] for name, value in values.items()}
        change.note(f"{kind} adjusted elsewhere", unit_id=row.id, detail=detail)
    return own != row


def body(connection: Connection, body_id: str) -> BodyRow:
    """Give a body.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    return from_mapping(BodyRow, one(connection, schema.bodies, body_id, "body"))


def lens(connection: Connection, lens_id: str) -> LensRow:
    """Give a lens.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    return from_mapping(LensRow, one(connection, schema.lenses, lens_id, "lens"))


def body_by_name(connection: Connection, name: str) -> BodyRow | None:
    """Find a body by name, whatever its case."""
    return _by_name(connection, BodyRow, name)


def lens_by_name(connection: Connection, name: str) -> LensRow | None:
    """Find a lens by name, whatever its case."""
    return _by_name(connection, LensRow, name)


def bodies_by_id(connection: Connection, ids: Iterable[str]) -> dict[str, BodyRow]:
    """Give bodies by id, in the order asked for.

    Raises
    ------
    NotFound
        When one of them is not there.
    """
    return _by_id(connection, BodyRow, ids)


def lenses_by_id(connection: Connection, ids: Iterable[str]) -> dict[str, LensRow]:
    """Give lenses by id, in the order asked for.

    Raises
    ------
    NotFound
        When one of them is not there.
    """
    return _by_id(connection, LensRow, ids)


def bodies(
    connection: Connection,
    *,
    search: str | None = None,
    limit: int = MANY,
    after: str | None = None,
    has_retired: bool = False,
) -> list[BodyRow]:
    """List bodies by name; ``search``: part of name, serial or mount; ``after``: id of the last one seen."""
    return _list(connection, BodyRow, search=search, limit=limit, after=after, has_retired=has_retired)


def lenses(
    connection: Connection,
    *,
    search: str | None = None,
    limit: int = MANY,
    after: str | None = None,
    has_retired: bool = False,
) -> list[LensRow]:
    """List lenses by name; ``search``: part of name, serial or mount; ``after``: id of the last one seen."""
    return _list(connection, LensRow, search=search, limit=limit, after=after, has_retired=has_retired)


def _add(change: "Change", row: Unit) -> Unit:
    table, kind = _KINDS[type(row)]
    kept = change.connection.execute(select(table).where(table.c.id == row.id)).mappings().one_or_none()
    before = None if kept is None else from_mapping(type(row), kept)
    if before is not None and same_or_conflict(before, row, kind=kind):
        return before
    _refuse_taken(change, row)
    insert(change.connection, table, row, name_key=name_key(row.name))
    change.note(f"{kind} added", unit_id=row.id, detail={"name": row.name})
    return row


def _change(change: "Change", row: Unit) -> Unit:
    table, kind = _KINDS[type(row)]
    before: Unit = from_mapping(type(row), one(change.connection, table, row.id, kind))
    row = replace(row, epoch=before.epoch)
    changed = [name for name in field_names(type(row)) if getattr(before, name) != getattr(row, name)]
    if not changed:
        return before
    _refuse_taken(change, row)
    values = {**values_of(table, row), "name_key": name_key(row.name)}
    change.connection.execute(update(table).where(table.c.id == row.id).values(values))
    old, new = values_of(table, before), values_of(table, row)
    detail = {name: [_shown(old[name]), _shown(new[name])] for name in changed}
    change.note(f"{kind} changed", unit_id=row.id, detail=detail)
    return row


def _shown(value: Any) -> Any:
    """Give a value as the journal may keep it."""
    return (
        [list(map(str, row)) for row in value]
        if isinstance(value, tuple) and value and isinstance(value[0], tuple)
        else value
    )


def _refuse_taken(change: "Change", row: Unit) -> None:
    table, kind = _KINDS[type(row)]
    taken = select(table.c.id).where(table.c.name_key == name_key(row.name), table.c.id != row.id)
    other = change.connection.execute(taken).scalar_one_or_none()
    if other is not None:
        raise Conflict(
            f"There is a {kind} named {row.name} already. Use that one, or give this one another name.",
            kind=kind,
            id=other,
        )


def _by_name(connection: Connection, kind: type[Unit], name: str) -> Unit | None:
    table, _ = _KINDS[kind]
    found = (
        connection.execute(select(table).where(table.c.name_key == name_key(name))).mappings().one_or_none()
    )
    return None if found is None else from_mapping(kind, found)


def _by_id(connection: Connection, kind: type[Unit], ids: Iterable[str]) -> dict[str, Unit]:
    table, word = _KINDS[kind]
    wanted = list(dict.fromkeys(ids))
    found: dict[str, Unit] = {}
    for start in range(0, len(wanted), MANY):
        some = select(table).where(table.c.id.in_(wanted[start : start + MANY]))
        found.update({row.id: row for row in rows_of(connection, some, kind)})
    missing = next((id_ for id_ in wanted if id_ not in found), None)
    if missing is not None:
        raise NotFound(word, missing)
    return {id_: found[id_] for id_ in wanted}


def _list(
    connection: Connection,
    kind: type[Unit],
    *,
    search: str | None,
    limit: int,
    after: str | None,
    has_retired: bool,
) -> list[Unit]:
    table, word = _KINDS[kind]
    wanted = select(table).order_by(table.c.name_key).limit(limit)
    if not has_retired:
        wanted = wanted.where(table.c.is_retired.is_(False))
    if search:
        wanted = wanted.where(
            or_(*(contains(column, search) for column in (table.c.name_key, table.c.serial, table.c.mount)))
        )
    if after:
        wanted = wanted.where(table.c.name_key > page_key(connection, table, after, "name_key", word))
    return rows_of(connection, wanted, kind)
