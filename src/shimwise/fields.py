"""Dataclasses built from others that have fields of the same names."""

from dataclasses import fields
from typing import Any, TypeVar

T = TypeVar("T")


def build_from(kind: type[T], source: object, /, **own: Any) -> T:  # noqa: ANN401
    """Return a ``kind`` with ``own`` values, and for the rest those that ``source`` has under the same names.

    Raises
    ------
    TypeError
        If neither has a value for a field without a default.
    """
    names = [one.name for one in fields(kind) if one.name not in own]  # type: ignore[arg-type]
    return kind(**{name: getattr(source, name) for name in names if hasattr(source, name)}, **own)
