"""Between frozen rows and the tables: fields and columns of one name belong together."""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any, TypeVar

from sqlalchemy import Connection, RowMapping, Select, Table, select

from shimwise.record.errors import Conflict, NotFound

__all__ = ["from_mapping", "insert", "one", "page_key", "rows_of", "same_or_conflict", "values_of"]

T = TypeVar("T")
_FIELDS: dict[type[Any], tuple[str, ...]] = {}
UNIT_COLUMNS = {"body": "body_id", "lens": "lens_id"}
_BUILT = frozenset({"seq", "epoch", "body_epoch", "lens_epoch", "revision", "reading_count"})
"""Counted by the record, so no part of what a client says."""
_WITHDRAWN = frozenset({"withdrawn_at", "withdrawn_by", "withdrawn_reason"})


def field_names(kind: type[Any]) -> tuple[str, ...]:
    """Names of a row's fields."""
    if kind not in _FIELDS:
        _FIELDS[kind] = tuple(one.name for one in fields(kind))
    return _FIELDS[kind]


def from_mapping(kind: type[T], found: RowMapping | Mapping[str, Any], **more: Any) -> T:
    """Make a row from a table's; ``more`` are fields that lie in other tables."""
    names = field_names(kind)
    values = {name: found[name] for name in names if name in found}
    if "unit_kind" in names and "unit_kind" not in more:
        values["unit_kind"] = "body" if found["body_id"] is not None else "lens"
        values["unit_id"] = found["body_id"] or found["lens_id"]
    return kind(**values, **more)


def values_of(table: Table, row: Any) -> dict[str, Any]:
    """Give a row's values by the table's columns; columns that the row does not have are left out."""
    names = field_names(type(row))
    values = {column.name: getattr(row, column.name) for column in table.columns if column.name in names}
    if "unit_kind" in names:
        for kind, column in UNIT_COLUMNS.items():
            values[column] = row.unit_id if row.unit_kind == kind else None
        if row.unit_kind not in UNIT_COLUMNS:
            raise Conflict(
                f"[{row.unit_kind}] is no kind of unit; a unit is a body or a lens.",
                kind="unit",
                id=row.unit_id,
            )
    return values


def insert(connection: Connection, table: Table, row: Any, **more: Any) -> None:
    """Add a row; ``more`` are columns that the row does not have."""
    connection.execute(table.insert(), {**values_of(table, row), **more})


def rows_of(connection: Connection, wanted: Select[Any], kind: type[T]) -> list[T]:
    """Run a query and give its rows."""
    result = connection.execute(wanted)
    names = field_names(kind)
    if "unit_kind" in names:
        return [from_mapping(kind, found) for found in result.mappings()]
    places = [(name, place) for place, name in enumerate(result.keys()) if name in names]
    return [kind(**{name: found[place] for name, place in places}) for found in result]


def one(connection: Connection, table: Table, id: str, kind: str) -> RowMapping:  # noqa: A002
    """Give the row of an id; ``kind`` is its word for people.

    Raises
    ------
    NotFound
        When there is none.
    """
    found = connection.execute(select(table).where(table.c.id == id)).mappings().one_or_none()
    if found is None:
        raise NotFound(kind, id)
    return found


def same_or_conflict(
    kept: T | None, sent: T, *, kind: str, server_made: frozenset[str] = frozenset()
) -> bool:
    """Tell whether what is sent is kept already.

    Times, counts and withdrawals are the record's own, so they are not compared.

    Raises
    ------
    Conflict
        When the id is kept with another content.
    """
    if kept is None:
        return False
    left_out = _BUILT | _WITHDRAWN | server_made
    differing = [
        name
        for name in field_names(type(sent))
        if name not in left_out and not _is_same(getattr(kept, name), getattr(sent, name))
    ]
    if differing:
        id_ = str(getattr(sent, "id", ""))
        raise Conflict(
            f"The id {id_} is that of another {kind} already: they differ in {', '.join(differing)}. "
            "Send it with an id of its own.",
            kind=kind,
            id=id_,
        )
    return True


def _is_same(kept: Any, sent: Any) -> bool:
    if isinstance(kept, Mapping) and isinstance(sent, Mapping):
        return dict(kept) == dict(sent)
    if isinstance(kept, Sequence) and isinstance(sent, Sequence) and not isinstance(sent, str):
        return list(kept) == list(sent)
    return bool(kept == sent)


def page_key(connection: Connection, table: Table, id: str, column: str, kind: str) -> Any:  # noqa: A002
    """Give what a list is sorted by for the row at which the page before ended.

    Raises
    ------
    NotFound
        When there is no such row.
    """
    return one(connection, table, id, kind)[column]
