"""Rows as standard JSON, and back with everything looked at: what leaves a record comes in as the same.

A time is ISO 8601 in UTC; infinity, for which JSON has no word, is the text ``INF``.
"""

# ruff: noqa: ANN401 - a value of JSON is of any kind

import math
from collections.abc import Mapping
from dataclasses import MISSING, fields
from datetime import UTC, datetime
from typing import Any, TypeVar

from sqlalchemy import Boolean, Column, Float, Integer, LargeBinary, Table, Text
from sqlalchemy.types import TypeEngine

from shimwise.errors import RecordError
from shimwise.files.errors import shown
from shimwise.record.tables.columns import (
    INFINITY,
    JsonList,
    JsonText,
    LengthTable,
    PackedJson,
    PackedText,
    UtcTime,
    json_text,
)

__all__ = ["PlainError", "columns_from_plain", "plain", "row_from_plain", "row_to_plain"]

T = TypeVar("T")
LARGEST_COUNT = 2**31 - 1
"""The largest whole number that a column of a count takes on every database."""


class PlainError(RecordError):
    """Raised when a file that should come from a record says something that no record holds."""


def plain(value: Any) -> Any:
    """Give a value as standard JSON has it."""
    if isinstance(value, float) and math.isinf(value):
        return INFINITY if value > 0 else f"-{INFINITY}"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, tuple | list):
        return [plain(one) for one in value]
    if isinstance(value, Mapping):
        return {key: plain(one) for key, one in value.items()}
    return value


def row_to_plain(row: Any) -> dict[str, Any]:
    """Give a row's fields as standard JSON."""
    return {one.name: plain(getattr(row, one.name)) for one in fields(row)}


def row_from_plain(kind: type[T], table: Table, found: Any, *, where: str) -> T:
    """Make a row of JSON.

    Parameters
    ----------
    kind : type
        The row's class.
    table : Table
        Whose columns tell what each field may hold.
    found : object
        The JSON value.
    where : str
        Its place, for messages.

    Raises
    ------
    PlainError
        When a field is missing, unknown, or of the wrong kind.
    """
    values = _object(found, where)
    known = {one.name: one for one in fields(kind)}  # type: ignore[arg-type]
    _refuse_unknown(values, known, where)
    made = {}
    for name, one in known.items():
        if name not in values:
            if one.default is MISSING and one.default_factory is MISSING:
                raise PlainError(f"{where} has no {name}. Export it again.")
            continue
        column = table.columns.get(name)
        if column is not None:
            made[name] = _read(column, values[name], f"{where}.{name}")
        else:
            read = _words if one.type is str else _ids
            made[name] = read(values[name], f"{where}.{name}")
    return kind(**made)


def columns_from_plain(table: Table, found: Any, *, where: str) -> dict[str, Any]:
    """Read all columns of a table's row from JSON.

    Raises
    ------
    PlainError
        When a column is missing, unknown, or of the wrong kind.
    """
    values = _object(found, where)
    _refuse_unknown(values, table.columns, where)
    missing = next((column.name for column in table.columns if column.name not in values), None)
    if missing is not None:
        raise PlainError(f"{where} has no {missing}. Make the copy again.")
    return {
        column.name: _read(column, values[column.name], f"{where}.{column.name}") for column in table.columns
    }


def _object(found: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(found, Mapping):
        raise PlainError(f"{where} is {_said(found)}; it has to be an object. Export it again.")
    return found


def _refuse_unknown(values: Mapping[str, Any], known: Any, where: str) -> None:
    unknown = next((name for name in values if name not in known), None)
    if unknown is not None:
        raise PlainError(
            f"{where} holds {shown(str(unknown))}, which this version does not know. "
            "Bring this program up to date."
        )


def _ids(found: Any, where: str) -> Any:
    """Read a field that lies in other tables."""
    if isinstance(found, list) and all(isinstance(one, str) for one in found):
        return tuple(found)
    raise PlainError(f"{where} is {_said(found)}; it has to be ids. Export it again.")


def _read(column: "Column[Any]", found: Any, where: str) -> Any:
    if found is None:
        if column.nullable:
            return None
        raise PlainError(f"{where} is empty, and has to be given. Export it again.")
    for kinds, read in _READERS:
        if isinstance(column.type, kinds):
            return read(found, where)
    raise TypeError(f"no way to read a {column.type!r}")


def _time(found: Any, where: str) -> datetime:
    try:
        time = datetime.fromisoformat(found)
        utc = time.astimezone(UTC) if time.tzinfo is not None else None
    except (TypeError, ValueError, OverflowError):
        utc = None
    if utc is None:
        raise PlainError(f"{where} is {_said(found)}; it has to be a time with its zone.")
    return utc


def _number(found: Any, where: str) -> float:
    if found in (INFINITY, f"-{INFINITY}"):
        return math.inf if found == INFINITY else -math.inf
    try:
        number = math.nan if isinstance(found, bool) or not isinstance(found, int | float) else float(found)
    except OverflowError:
        number = math.nan
    if math.isnan(number):
        raise PlainError(f"{where} is {_said(found)}; it has to be a number.")
    return number


def _count(found: Any, where: str) -> int:
    if isinstance(found, bool) or not isinstance(found, int) or abs(found) > LARGEST_COUNT:
        raise PlainError(f"{where} is {_said(found)}; it has to be a whole number.")
    return found


def _flag(found: Any, where: str) -> bool:
    if not isinstance(found, bool):
        raise PlainError(f"{where} is {_said(found)}; it has to be true or false.")
    return found


def _words(found: Any, where: str) -> str:
    if not isinstance(found, str) or "\x00" in found or not _is_text(found):
        raise PlainError(f"{where} is {_said(found)}; it has to be a text.")
    return found


def _list(found: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(found, list):
        raise PlainError(f"{where} is {_said(found)}; it has to be a list.")
    return tuple(_json(found, where))


def _lengths(found: Any, where: str) -> tuple[tuple[float, ...], ...]:
    rows = _list(found, where)
    return tuple(tuple(_number(number, where) for number in _list(row, where)) for row in rows)


def _json(found: Any, where: str) -> Any:
    try:
        is_text = _is_text(json_text(found))
    except (ValueError, RecursionError):
        is_text = False
    if not is_text:
        raise PlainError(f"{where} holds what no record keeps. Export it again.")
    return found


def _is_text(found: str) -> bool:
    """Tell whether a text is whole: half of a surrogate pair stands for no character."""
    try:
        found.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


_READERS: tuple[tuple[type[TypeEngine[Any]] | tuple[type[Any], ...], Any], ...] = (
    (UtcTime, _time),
    (LengthTable, _lengths),
    (JsonList, _list),
    (PackedText, _words),
    ((JsonText, PackedJson, LargeBinary), _json),
    (Float, _number),
    (Boolean, _flag),
    (Integer, _count),
    (Text, _words),
)


def _said(found: Any) -> str:
    return f"[{shown(str(found))}]"
