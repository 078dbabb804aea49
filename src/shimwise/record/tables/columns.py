"""Kinds of column that read back what was written, alike on SQLite and on PostgreSQL."""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

import json
import math
import zlib
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import DateTime, Dialect, LargeBinary, Text
from sqlalchemy.types import TypeDecorator

__all__ = ["JsonList", "JsonText", "LengthTable", "PackedJson", "PackedText", "UtcTime", "json_text"]

INFINITY = "INF"
PACKING = 6


class UtcTime(TypeDecorator[datetime]):
    """A time with its zone, kept as UTC to the microsecond."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse a time without zone; SQLite gets the bare UTC time."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"the time {value} has no zone; give UTC")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Give UTC, always with its zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class JsonText(TypeDecorator[Any]):
    """JSON as text with sorted keys, so that the same content is the same text; SQL null for None."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Write; infinite and undefined numbers, for which JSON has no word, are refused."""
        return None if value is None else json_text(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:  # noqa: ARG002
        """Read."""
        return None if value is None else json.loads(value)


class PackedJson(TypeDecorator[Any]):
    """A larger JSON document, compressed."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> bytes | None:  # noqa: ARG002
        """Write and compress."""
        return None if value is None else zlib.compress(json_text(value).encode(), PACKING)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> Any:  # noqa: ARG002
        """Expand and read."""
        return None if value is None else json.loads(zlib.decompress(value))


class PackedText(TypeDecorator[str]):
    """A larger text, compressed; it reads back letter by letter."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> bytes | None:  # noqa: ARG002
        """Compress."""
        return None if value is None else zlib.compress(value.encode(), PACKING)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Expand."""
        return None if value is None else zlib.decompress(value).decode()


class JsonList(JsonText):
    """A list, as a tuple."""

    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Write."""
        return super().process_bind_param(None if value is None else list(value), dialect)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        """Read."""
        return tuple(super().process_result_value(value, dialect) or ())


class LengthTable(JsonText):
    """Rows of lengths in millimetres, as tuples; infinity is kept as the word ``INF``."""

    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Write."""
        rows = [[INFINITY if math.isinf(number) else number for number in row] for row in value or ()]
        return super().process_bind_param(rows, dialect)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        """Read."""
        rows = super().process_result_value(value, dialect) or ()
        return tuple(tuple(math.inf if number == INFINITY else number for number in row) for row in rows)


def json_text(value: Any) -> str:
    """Write standard JSON with sorted keys and no spare space.

    Raises
    ------
    ValueError
        When it holds an infinite or undefined number.
    """
    return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
