"""The tables of a new record are made once in a run; every other new record of the tests is a copy.

Migrations from the first to the last take a fifth of a second, and most tests begin with a new record.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Engine, inspect

__all__ = ["copy_tables"]


def copy_tables(patch: pytest.MonkeyPatch, made: Path) -> None:
    """Fill every new record on SQLite that this process makes from the file ``made``, with its tables."""
    from shimwise.record import opening
    from shimwise.record.location import Location

    migrate = opening.migrate

    def copy_or_migrate(engine: Engine, location: Location, *, scripts: Path) -> None:
        if location.path is None or scripts != opening.FOLDER or inspect(engine).get_table_names():
            migrate(engine, location, scripts=scripts)
            return
        with closing(sqlite3.connect(made)) as source, closing(sqlite3.connect(location.path)) as target:
            source.backup(target)

    patch.setattr(opening, "migrate", copy_or_migrate)
