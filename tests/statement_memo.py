"""A statement is compiled once in a process of the tests: records of one kind share what SQLAlchemy compiled.

A program opens one record and keeps it; most tests open one of their own, in which each statement would be
compiled anew: a third of the time of tests that work on records.
"""

from functools import partial

import pytest

__all__ = ["share_statements"]


class _Compiled(dict[tuple[object, ...], object]):
    """SQLAlchemy's cache of compiled statements, known by the name of the driver instead of the engine's own.

    Its keys begin with the dialect (SQLAlchemy 2, ``Connection.execution_options``, ``compiled_cache``).
    """

    def get(self, key: tuple[object, ...], default: object = None) -> object:
        return super().get(_named(key), default)

    def __setitem__(self, key: tuple[object, ...], compiled: object) -> None:
        super().__setitem__(_named(key), compiled)


def _named(key: tuple[object, ...]) -> tuple[object, ...]:
    dialect, *statement = key
    return type(dialect), *statement


def share_statements(patch: pytest.MonkeyPatch) -> None:
    """Let all records that this process opens share what was compiled for one of them."""
    from shimwise.record import location

    options = {"compiled_cache": _Compiled()}
    patch.setattr(location, "create_engine", partial(location.create_engine, execution_options=options))
