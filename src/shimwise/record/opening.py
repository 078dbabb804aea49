"""What is done before a record is used: is it one, is it ours, and are its tables of this version.

The tables are changed within one transaction: one that is interrupted leaves the record as it was. Before an
older record is changed, a copy of it is kept beside it.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, inspect, text

from shimwise.record.error_translation import DAMAGED
from shimwise.record.errors import RecordAway, RecordDamaged, RecordTooNew
from shimwise.record.location import writing_options
from shimwise.record.migrations import FOLDER, HEAD, KNOWN

if TYPE_CHECKING:
    from shimwise.record.record import Record

__all__ = ["migrate", "prepare", "version_of"]

VERSION_TABLE = "alembic_version"
TOO_NEW = (
    "was written by a newer Shimwise (its tables are {found}, this one knows up to {known}). Bring this "
    "program up to date; the record is left untouched."
)
NOT_THERE = "is not there. Check the name, or start one with shimwise serve."
OLDER = "has the tables {found} of an older version. Open it once with shimwise serve to renew them."
READ_ONLY_KEPT = ("SQLITE_READONLY", "SQLITE_CANTOPEN")


def prepare(record: "Record", *, is_read_only: bool) -> None:
    """Make a record ready for use.

    Raises
    ------
    RecordTooNew, RecordDamaged, RecordAway
        See :meth:`shimwise.record.record.Record.open`.
    """
    path = record.place.path
    if path is not None:
        _prepare_file(record, path, is_read_only=is_read_only)
    with record.engine.connect() as connection:
        found = version_of(connection, record.name)
    if found == HEAD:
        return
    if is_read_only:
        _refuse_older(record, found)
    if found is not None and path is not None:
        _keep_copy(path, found)
    migrate(record, scripts=FOLDER)


def version_of(connection: Connection, name: str) -> str | None:
    """Tell the version of the tables; None for a record that has none yet.

    Raises
    ------
    RecordTooNew
        When this program does not know that version.
    RecordDamaged
        When there are tables, but none of ours.
    """
    tables = set(inspect(connection).get_table_names())
    if VERSION_TABLE not in tables:
        if "preps" in tables or (tables and connection.dialect.name == "sqlite"):
            raise RecordDamaged(DAMAGED.format(cause="its tables are others"), where=name)
        return None
    found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar_one_or_none()  # noqa: S608
    if found is not None and found not in KNOWN:
        raise RecordTooNew(TOO_NEW.format(found=found, known=HEAD), where=name)
    return None if found is None else str(found)


def migrate(record: "Record", *, scripts: Path) -> None:
    """Bring the tables to the latest of ``scripts``, in one transaction."""
    from alembic import command
    from alembic.config import Config

    with record.engine.connect() as plain:
        connection = plain.execution_options(**writing_options(record.place))
        with connection.begin():
            if record.place.path is None:
                connection.execute(text("SELECT pg_advisory_xact_lock(7468698)"))
            config = Config()
            config.set_main_option("script_location", str(scripts).replace("%", "%%"))
            config.attributes["connection"] = connection
            command.upgrade(config, "head")


def _prepare_file(record: "Record", path: Path, *, is_read_only: bool) -> None:
    if is_read_only:
        if not path.is_file():
            raise RecordAway(NOT_THERE, where=record.name)
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    with record.engine.connect() as connection:
        # Kept in the file: the write-ahead log, in which readers never wait for a writer.
        connection.connection.dbapi_connection.execute("PRAGMA journal_mode=WAL")  # type: ignore[union-attr]


def _refuse_older(record: "Record", found: str | None) -> None:
    if found is None:
        raise RecordDamaged(DAMAGED.format(cause="it has no tables"), where=record.name)
    raise RecordDamaged(OLDER.format(found=found), where=record.name)


def _keep_copy(path: Path, found: str) -> None:
    from shimwise.record.backup.copying import copy_file

    copy_file(path, path.with_name(f"{path.name}.before-{found}"), is_replacing=True)
