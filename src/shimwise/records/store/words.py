"""Looking for part of a text, alike on both databases."""

from typing import Any

from sqlalchemy import ColumnElement, func

from shimwise.records.store.names import name_key

__all__ = ["contains"]


def contains(column: ColumnElement[Any], part: str) -> ColumnElement[bool]:
    """Tell whether a column holds ``part``, whatever its case; ``%`` and ``_`` mean themselves."""
    return func.lower(column).contains(name_key(part), autoescape=True)
