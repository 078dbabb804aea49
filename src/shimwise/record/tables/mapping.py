"""Between frozen rows and their tables: fields and columns of one name belong together."""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

import math
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Connection, Insert, RowMapping, Select, Table, bindparam, select

from shimwise.record.errors import Conflict, NotFound
from shimwise.record.tables.rows import BodyRow, LensRow
from shimwise.record.tables.schema import TABLE_OF, word_of

T = TypeVar("T")
UNIT_COLUMNS = {"body": "body_id", "lens": "lens_id"}
UNIT_ROWS: Mapping[str, type[BodyRow] | type[LensRow]] = {"body": BodyRow, "lens": LensRow}
_OWN = frozenset(
    {
        *("seq", "epoch", "body_epoch", "lens_epoch", "revision", "reading_count"),
        *("withdrawn_at", "withdrawn_by", "withdrawn_reason", "state", "closed_at", "closed_by"),
        *("started_at", "started_by", "taped_at", "taken_at", "given_at", "made_at", "signed_at"),
        "setup_id",  # of a reading: the first sending may have made its set-up
    }
)
"""Counted, timed or decided by the record, so not compared when a row is sent again."""


def field_names(kind: type[Any]) -> tuple[str, ...]:
    """Return the names of a row's fields."""
    return tuple(kind.__dataclass_fields__)


def from_mapping(kind: type[T], found: RowMapping | Mapping[str, Any], **more: Any) -> T:
    """Make a row from a table's; ``more`` are fields that other tables hold."""
    names, kept = field_names(kind), found.keys()  # asked of its keys: what is missing is cheap there alone
    values = {name: found[name] for name in names if name in kept}
    if "unit_kind" in names:
        values["unit_kind"] = "body" if found["body_id"] is not None else "lens"
        values["unit_id"] = found["body_id"] or found["lens_id"]
    return kind(**values, **more)


def values_of(row: Any) -> dict[str, Any]:
    """Return a row's values by the columns of its table; columns that it has no field for are left out."""
    values = {name: getattr(row, name) for name in TABLE_OF[type(row)].info["fields"]}
    if "unit_kind" in field_names(type(row)):
        if row.unit_kind not in UNIT_COLUMNS:
            raise Conflict(
                f"[{row.unit_kind}] is an unknown unit kind; a unit is a body or a lens.",
                kind="unit",
                id=row.unit_id,
            )
        values |= {
            column: row.unit_id if row.unit_kind == kind else None for kind, column in UNIT_COLUMNS.items()
        }
    return values


def insert(connection: Connection, row: Any, **more: Any) -> None:
    """Add a row; ``more`` are columns that it has no field for."""
    connection.execute(_inserting(TABLE_OF[type(row)]), {**values_of(row), **more})


def insert_all(connection: Connection, rows: Sequence[Any]) -> None:
    """Add rows of one kind, at once."""
    if rows:
        connection.execute(_inserting(TABLE_OF[type(rows[0])]), [values_of(row) for row in rows])


def rewrite(connection: Connection, kind: type[Any], id: str, /, **values: Any) -> None:  # noqa: A002
    """Write columns of the row with this id."""
    table = TABLE_OF[kind]
    connection.execute(table.update().where(table.c.id == id).values(values))


def rows_of(
    connection: Connection, wanted: Select[Any], kind: type[T], values: Mapping[str, Any] | None = None
) -> list[T]:
    """Return the rows of a query; ``values`` are those of its parameters."""
    result = connection.execute(wanted, values)
    names = field_names(kind)
    if "unit_kind" in names:
        return [from_mapping(kind, found) for found in result.mappings()]
    # By place: a page of a prep reads hundreds of rows, and a mapping of each would cost twice as long.
    places = [(name, place) for place, name in enumerate(result.keys()) if name in names]
    return [kind(**{name: found[place] for name, place in places}) for found in result]


def rows_where(connection: Connection, kind: type[T], *order: str, **equal: Any) -> list[T]:
    """Return the rows whose columns have these values, in this order; ``unit_id`` is a body's or a lens's."""
    # Of a unit two questions, each of which has its index, and one of which finds nothing.
    unit_id = equal.pop("unit_id", None)
    questions = [equal] if unit_id is None else [equal | {name: unit_id} for name in UNIT_COLUMNS.values()]
    wanted = [(_selecting(TABLE_OF[kind], order, tuple(one)), _values(one)) for one in questions]
    return [row for query, values in wanted for row in rows_of(connection, query, kind, values)]


def row_if_kept(connection: Connection, kind: type[T], id: str, **more: Any) -> T | None:  # noqa: A002
    """Return the row with this id, or None; ``more`` as in :func:`from_mapping`."""
    wanted = _selecting(TABLE_OF[kind], (), ("id",))
    found = connection.execute(wanted, _values({"id": id})).mappings().one_or_none()
    return None if found is None else from_mapping(kind, found, **more)


def row_by_id(connection: Connection, kind: type[T], id: str, **more: Any) -> T:  # noqa: A002
    """Return the row with this id; ``more`` as in :func:`from_mapping`.

    Raises
    ------
    NotFound
        If there is none.
    """
    found = row_if_kept(connection, kind, id, **more)
    if found is None:
        raise NotFound(word_of(kind), id)
    return found


def same_or_conflict(kept: Any, sent: Any) -> None:
    """Compare what is sent with what is kept under its id, but for what the record itself makes of a row.

    Raises
    ------
    Conflict
        If they differ.
    """
    differing = [
        name
        for name in field_names(type(sent))
        if name not in _OWN and not _is_same(getattr(kept, name), getattr(sent, name))
    ]
    if differing:
        word = word_of(type(sent))
        raise Conflict(
            f"The id {sent.id} is that of another {word} already: they differ in {', '.join(differing)}. "
            "Send it with an id of its own.",
            kind=word,
            id=sent.id,
        )


def changes(before: Any, after: Any) -> dict[str, list[Any]]:
    """Return the fields in which two rows differ, with both values as the journal keeps them."""
    pairs = ((name, getattr(before, name), getattr(after, name)) for name in field_names(type(after)))
    return {name: [_noted(old), _noted(new)] for name, old, new in pairs if old != new}


def same_if_kept(connection: Connection, sent: T) -> T | None:
    """Return the row that is kept under the id of one that is sent, or None; raise Conflict for another."""
    row: Any = sent
    kept = row_if_kept(connection, type(sent), row.id)
    if kept is not None:
        same_or_conflict(kept, sent)
    return kept


def _noted(value: Any) -> Any:
    """Return a value as the journal may keep it: JSON has no infinity, which lengths may have among them."""
    if isinstance(value, tuple):
        return [_noted(one) for one in value]
    return str(value) if isinstance(value, float) and math.isinf(value) else value


def _is_same(kept: Any, sent: Any) -> bool:
    if isinstance(kept, Mapping) and isinstance(sent, Mapping):
        return dict(kept) == dict(sent)
    if isinstance(kept, Sequence) and isinstance(sent, Sequence) and not isinstance(sent, str):
        return list(kept) == list(sent)
    return bool(kept == sent)


def key_of_page(connection: Connection, kind: type[Any], id: str, column: str) -> Any:  # noqa: A002
    """Return what a list is sorted by for the row at which the page before ended.

    Raises
    ------
    NotFound
        If there is no such row.
    """
    table = TABLE_OF[kind]
    found = connection.execute(select(table.c[column]).where(table.c.id == id)).one_or_none()
    if found is None:
        raise NotFound(word_of(kind), id)
    return found[0]


@cache
def _inserting(table: Table) -> Insert:
    """Return the statement that adds a row, made once: its making costs as much as its running."""
    return table.insert()


@cache
def _selecting(table: Table, order: tuple[str, ...], equal: tuple[str, ...]) -> Select[Any]:
    """Return the query of rows by the values of columns, in an order; made once."""
    wanted = select(table).order_by(*(table.c[name] for name in order))
    return wanted.where(*(table.c[name] == bindparam(f"wanted_{name}") for name in equal))


def _values(equal: Mapping[str, Any]) -> dict[str, Any]:
    return {f"wanted_{name}": value for name, value in equal.items()}
