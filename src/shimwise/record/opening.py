"""What is done before a record is used: is it one, is it ours, and are its tables of this version.

The tables are changed within one transaction: one that is interrupted leaves the record as it was. Before an
older record is changed, a copy of it is kept beside it.
"""

import os
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from shimwise.record.error_translation import DAMAGED
from shimwise.record.errors import RecordAway, RecordDamaged, RecordTooNew, RecordTooOld
from shimwise.record.file_copy import copy_file
from shimwise.record.hearing import MIGRATED, notify
from shimwise.record.location import Location, writing_options
from shimwise.record.migrations import FOLDER, HEAD, KNOWN

VERSION_TABLE = "alembic_version"
MIGRATION_LOCK = 7_468_698
"""Number of the advisory lock by which one program at a time changes the tables on a server."""
MIGRATION_WAITED_S = 600
"""How long a server waits until another one has changed the tables. [s]"""
_VERSION = text(f"SELECT version_num FROM {VERSION_TABLE}")  # noqa: S608
TOO_NEW = (
    "was written by a newer Shimwise (its tables are {found}, this one knows up to {known}). Bring this "
    "program up to date; the record is left untouched."
)
NOT_THERE = "is not there. Check the name, or start one with shimwise serve."
EMPTY = "it is empty"
WITH_LOG = "PRAGMA journal_mode=WAL"
"""Kept in the file: the write-ahead log, in which readers never wait for a writer."""
OLDER = "has the tables {found} of an older version. Open it once with shimwise serve to renew them."


def prepare(engine: Engine, location: Location, *, is_read_only: bool) -> None:
    """Make a record ready for use; raise as :meth:`shimwise.record.record.Record.open`."""
    if location.path is not None:
        _prepare_file(engine, location, location.path, is_read_only=is_read_only)
    with engine.connect() as connection:
        found = version_of(connection, location.name)
    if found == HEAD:
        return
    if is_read_only:
        if found is not None:
            raise RecordTooOld(OLDER.format(found=found), where=location.name)
        raise RecordDamaged(DAMAGED.format(cause="it has no tables"), where=location.name)
    if found is not None and location.path is not None:
        kept = location.path.with_name(f"{location.path.name}.before-{found}")
        copy_file(location.path, kept, is_replacing=True)
    migrate(engine, location, scripts=FOLDER)


def version_of(connection: Connection, name: str) -> str | None:
    """Return the version of the tables, or None if there are none yet.

    Raises
    ------
    RecordTooNew
        If this program does not know that version.
    RecordDamaged
        If there are tables, but none of ours.
    """
    tables = set(inspect(connection).get_table_names())
    if VERSION_TABLE not in tables:
        if "preps" in tables or (tables and connection.dialect.name == "sqlite"):
            raise RecordDamaged(DAMAGED.format(cause="its tables are others"), where=name)
        return None
    return refuse_newer(connection, name)


def refuse_newer(connection: Connection, name: str) -> str | None:
    """Return the version of the tables as :func:`version_of`, of a record that is known to be one."""
    found = connection.execute(_VERSION).scalar_one_or_none()
    if found is not None and found not in KNOWN:
        raise RecordTooNew(TOO_NEW.format(found=found, known=HEAD), where=name)
    return None if found is None else str(found)


def migrate(engine: Engine, location: Location, *, scripts: Path) -> None:
    """Bring the tables to the latest of ``scripts``, in one transaction."""
    from alembic import command
    from alembic.config import Config

    with engine.connect() as raw:
        connection = raw.execution_options(**writing_options(location))
        with connection.begin():
            if location.path is None:
                connection.execute(text(f"SET LOCAL lock_timeout = '{MIGRATION_WAITED_S}s'"))
                connection.execute(text(f"SELECT pg_advisory_xact_lock({MIGRATION_LOCK})"))
            config = Config()
            config.set_main_option("script_location", str(scripts).replace("%", "%%"))
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            if location.path is None:
                notify(connection, "-", MIGRATED, "")


def _prepare_file(engine: Engine, location: Location, path: Path, *, is_read_only: bool) -> None:
    if is_read_only:
        if not path.is_file():
            raise RecordAway(NOT_THERE, where=location.name)
        return
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    if not path.exists():
        _begin_file(path)
    if not path.stat().st_size:
        raise RecordDamaged(DAMAGED.format(cause=EMPTY), where=location.name)
    with engine.connect() as connection:
        connection.connection.dbapi_connection.execute(WITH_LOG)  # type: ignore[union-attr]


def _begin_file(path: Path) -> None:
    """Make the file of a new record, without tables yet; leave one that another program made meanwhile.

    It appears with its header, so that an empty file is always one that was emptied.
    """
    begun = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    begun.touch(mode=0o600)  # what SQLite makes beside it has the mode of this file
    try:
        with closing(sqlite3.connect(begun)) as connection:
            connection.execute(WITH_LOG)
        try:
            os.link(begun, path)
        except FileExistsError:
            return
        except OSError:  # a file system without links
            if not path.exists():
                begun.replace(path)
    finally:
        begun.unlink(missing_ok=True)
