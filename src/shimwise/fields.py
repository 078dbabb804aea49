"""Dataclasses built from others that have fields of the same names."""

from dataclasses import MISSING, fields
from typing import Any, TypeVar

T = TypeVar("T")


def build_from(kind: type[T], /, *sources: object, **own: Any) -> T:  # noqa: ANN401
    """Return a ``kind`` with ``own`` values, and for the rest those that a source has under the same names.

    Of several sources the first that has the name counts.

    Raises
    ------
    TypeError
        If none has a value for a field without a default.
    """
    names = [one.name for one in fields(kind) if one.name not in own]  # type: ignore[arg-type]
    found = {
        name: value
        for one in reversed(sources)
        for name in names
        if (value := getattr(one, name, MISSING)) is not MISSING
    }
    return kind(**found, **own)
