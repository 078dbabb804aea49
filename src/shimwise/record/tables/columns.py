"""Columns that read back what was written, alike on SQLite and on PostgreSQL, made of a row's annotations."""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

import json
import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from sqlalchemy import Boolean, Column, DateTime, Dialect, Float, ForeignKey, Integer, LargeBinary, Text
from sqlalchemy.types import TypeDecorator, TypeEngine

INFINITY = "INF"
PACKING = 6
"""Level of zlib: its usual balance of size and time."""
NO_COLUMN = object()
"""Annotates a field that the row's table has no column for."""


@dataclass(frozen=True, slots=True)
class References:
    """Annotates an id of a row of another table."""

    table: str


class UtcTime(TypeDecorator[datetime]):
    """A time with its zone, kept as UTC to the microsecond."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return UTC, without its zone on SQLite; raise ValueError for a time without zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"the time {value} has no zone; give UTC")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Return UTC, always with its zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class JsonText(TypeDecorator[Any]):
    """JSON as text with sorted keys, so that the same content is the same text; SQL null for None."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Return the text; infinite and undefined numbers, for which JSON has no word, are refused."""
        return None if value is None else json_text(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:  # noqa: ARG002
        """Return what the text holds."""
        return None if value is None else json.loads(value)


class PackedText(TypeDecorator[str]):
    """A larger text, compressed; it reads back letter by letter."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes | None:  # noqa: ARG002
        """Return the compressed text."""
        return None if value is None else zlib.compress(value.encode(), PACKING)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> Any:  # noqa: ARG002
        """Return the text."""
        return None if value is None else zlib.decompress(value).decode()


class PackedJson(PackedText):
    """A larger JSON document, compressed."""

    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes | None:
        """Return the compressed document."""
        return super().process_bind_param(None if value is None else json_text(value), dialect)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> Any:
        """Return the document."""
        return None if value is None else json.loads(super().process_result_value(value, dialect))


class JsonList(JsonText):
    """A list, as a tuple."""

    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Return the text of the list."""
        return super().process_bind_param(None if value is None else list(value), dialect)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        """Return a tuple."""
        return tuple(super().process_result_value(value, dialect) or ())


class LengthTable(JsonText):
    """Rows of lengths in millimetres, as tuples; infinity is kept as the word ``INF``."""

    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Return the text of the rows."""
        return super().process_bind_param(json_value(value or ()), dialect)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        """Return the rows."""
        return _lengths(super().process_result_value(value, dialect) or ())


class LengthList(LengthTable):
    """Lengths in millimetres, as a tuple; as those of a table, and none as null."""

    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Return the text of the list."""
        return super().process_bind_param(value, dialect) if value else None


def _lengths(found: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(
        _lengths(one) if isinstance(one, list) else math.inf if one == INFINITY else one for one in found
    )


_TYPES: dict[Any, TypeEngine[Any]] = {
    str: Text(),
    int: Integer(),
    float: Float(53),
    bool: Boolean(),
    datetime: UtcTime(),
    Mapping: JsonText(),
    tuple: JsonList(),
}
"""The type of a column whose annotation does not name one."""


def columns_of(kind: type[Any], *, key: str = "id") -> list[Column[Any]]:
    """Return the columns of a kind of row, of which ``key`` is the primary key; see ``rows.py``."""
    hints = get_type_hints(kind, include_extras=True)
    made = (_column(one.name, hints[one.name], is_key=one.name == key) for one in fields(kind))
    return [column for column in made if column is not None]


def _column(name: str, hint: Any, *, is_key: bool) -> Column[Any] | None:
    is_nullable = get_origin(hint) in (Union, UnionType)
    if is_nullable:
        (hint,) = (part for part in get_args(hint) if part is not NoneType)
    marks = hint.__metadata__ if get_origin(hint) is Annotated else ()
    bare = get_args(hint)[0] if marks else hint
    if NO_COLUMN in marks:
        return None
    type_ = next(
        (mark for mark in marks if isinstance(mark, TypeEngine)), _TYPES.get(get_origin(bare) or bare)
    )
    targets = [ForeignKey(f"{mark.table}.id") for mark in marks if isinstance(mark, References)]
    return Column(name, type_, *targets, nullable=is_nullable, primary_key=is_key, autoincrement=False)


def json_value(value: Any) -> Any:
    """Return a value of a row or of a column as standard JSON has it."""
    if isinstance(value, float) and math.isinf(value):
        return INFINITY if value > 0 else f"-{INFINITY}"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, tuple | list):
        return [json_value(one) for one in value]
    if isinstance(value, Mapping):
        return {key: json_value(one) for key, one in value.items()}
    return value


def json_text(value: Any) -> str:
    """Return standard JSON with sorted keys and no spare space.

    Raises
    ------
    ValueError
        If it holds an infinite or undefined number.
    """
    return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
