"""Rows as standard JSON, and back with every value checked: what leaves a record comes in as the same.

A time is ISO 8601 in UTC; infinity, for which JSON has no word, is the text ``INF``.
"""

# ruff: noqa: ANN401 - a value of JSON is of any kind

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import MISSING, fields
from datetime import UTC, datetime
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Boolean, Column, Float, Integer, Table, Text

from shimwise.errors import RecordError
from shimwise.files.errors import shown
from shimwise.record.tables.columns import (
    INFINITY,
    JsonList,
    JsonText,
    LengthList,
    LengthTable,
    PackedJson,
    PackedText,
    UtcTime,
    json_text,
    json_value,
)
from shimwise.record.tables.schema import TABLE_OF

T = TypeVar("T")
Reader = Callable[[Any, str], Any]
"""Checks a value of JSON and returns what the row holds; the second argument is its place, for messages."""
LARGEST_COUNT = 2**31 - 1
"""The largest whole number that a column of a count takes on every database."""


class ExchangeError(RecordError):
    """Raised when a file that should come from a record holds something that no record does."""


def row_to_json(row: Any) -> dict[str, Any]:
    """Return a row's fields as standard JSON."""
    return {one.name: json_value(getattr(row, one.name)) for one in fields(row)}


def row_from_json(kind: type[T], found: Any, *, where: str) -> T:
    """Make a row of JSON.

    Parameters
    ----------
    kind : type
        The row's class, whose table's columns decide what each field may hold.
    found : object
        The JSON value.
    where : str
        Its place, for messages.

    Raises
    ------
    ExchangeError
        If a field is missing, unknown, or of the wrong kind.
    """
    needed = [one.name for one in fields(kind) if one.default is MISSING and one.default_factory is MISSING]  # type: ignore[arg-type]
    return kind(**_read(found, _field_readers(kind), needed, where))


def columns_from_json(table: Table, found: Any, *, where: str) -> dict[str, Any]:
    """Return all columns of a table's row, empty where they came later; raise as :func:`row_from_json`."""
    needed = [column.name for column in table.columns if not column.nullable]
    empty = dict.fromkeys(column.name for column in table.columns)
    return empty | _read(found, _column_readers(table), needed, where)


def _read(found: Any, readers: Mapping[str, Reader], needed: Collection[str], where: str) -> dict[str, Any]:
    if not isinstance(found, Mapping):
        raise _refusal(where, found, "an object. Export it again")
    unknown = next((name for name in found if name not in readers), None)
    if unknown is not None:
        raise ExchangeError(
            f"{where} holds {shown(str(unknown))}, which this version does not know. "
            "Bring this program up to date."
        )
    missing = next((name for name in needed if name not in found), None)
    if missing is not None:
        raise ExchangeError(f"{where} has no {missing}. Export it again.")
    return {name: readers[name](value, f"{where}.{name}") for name, value in found.items()}


@cache
def _column_readers(table: Table) -> dict[str, Reader]:
    return {column.name: _reader(column) for column in table.columns}


def _field_readers(kind: type[Any]) -> dict[str, Reader]:
    columns = _column_readers(TABLE_OF[kind])
    # What has no column is the ids of another table's rows, or the kind and the id of a unit.
    return {
        one.name: columns.get(one.name, _text if one.name.startswith("unit_") else _ids)
        for one in fields(kind)
    }


def _reader(column: "Column[Any]") -> Reader:
    read = next(reader for kinds, reader in _READERS if isinstance(column.type, kinds))

    def read_or_none(found: Any, where: str) -> Any:
        if found is not None:
            return read(found, where)
        if not column.nullable:
            raise ExchangeError(f"{where} is empty, and has to be given. Export it again.")
        return None

    return read_or_none


def _refusal(where: str, found: Any, expected: str) -> ExchangeError:
    return ExchangeError(f"{where} is [{shown(str(found))}]; it has to be {expected}.")


def _ids(found: Any, where: str) -> tuple[str, ...]:
    if isinstance(found, list) and all(isinstance(one, str) for one in found):
        return tuple(found)
    raise _refusal(where, found, "ids. Export it again")


def _time(found: Any, where: str) -> datetime:
    try:
        time = datetime.fromisoformat(found)
        utc = time.astimezone(UTC) if time.tzinfo is not None else None
    except (TypeError, ValueError, OverflowError):
        utc = None
    if utc is None:
        raise _refusal(where, found, "a time with its zone")
    return utc


def _number(found: Any, where: str) -> float:
    if found in (INFINITY, f"-{INFINITY}"):
        return math.inf if found == INFINITY else -math.inf
    try:
        number = math.nan if isinstance(found, bool) or not isinstance(found, int | float) else float(found)
    except OverflowError:
        number = math.nan
    if math.isnan(number):
        raise _refusal(where, found, "a number")
    return number


def _count(found: Any, where: str) -> int:
    if isinstance(found, bool) or not isinstance(found, int) or abs(found) > LARGEST_COUNT:
        raise _refusal(where, found, "a whole number")
    return found


def _flag(found: Any, where: str) -> bool:
    if not isinstance(found, bool):
        raise _refusal(where, found, "true or false")
    return found


def _text(found: Any, where: str) -> str:
    if not isinstance(found, str) or "\x00" in found or not _is_text(found):
        raise _refusal(where, found, "a text")
    return found


def _list(found: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(found, list):
        raise _refusal(where, found, "a list")
    return tuple(_json(found, where))


def _lengths(found: Any, where: str) -> tuple[tuple[float, ...], ...]:
    return tuple(_length_list(row, where) for row in _list(found, where))


def _length_list(found: Any, where: str) -> tuple[float, ...]:
    return tuple(_number(number, where) for number in _list(found, where))


def _json(found: Any, where: str) -> Any:
    try:
        is_text = _is_text(json_text(found))
    except (ValueError, RecursionError):
        is_text = False
    if not is_text:
        raise ExchangeError(f"{where} holds what no record keeps. Export it again.")
    return found


def _is_text(found: str) -> bool:
    """Return whether a text is whole: half of a surrogate pair is no character."""
    try:
        found.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


_READERS: tuple[tuple[Any, Reader], ...] = (  # the first that fits: a kind of column comes before its base
    (UtcTime, _time),
    (LengthList, _length_list),
    (LengthTable, _lengths),
    (JsonList, _list),
    ((JsonText, PackedJson), _json),
    (PackedText, _text),
    (Float, _number),
    (Boolean, _flag),
    (Integer, _count),
    (Text, _text),
)
