"""Errors of SQLite, PostgreSQL and the file system, translated by their codes into the record's own."""

# ruff: noqa: ANN401 - an error of any library

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy.exc import DBAPIError, IntegrityError, InterfaceError, OperationalError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from shimwise.record.errors import (
    Conflict,
    RecordAway,
    RecordBusy,
    RecordDamaged,
    RecordFull,
    RecordReadOnly,
    RecordUnreachable,
    StoreError,
)

_KEPT = "What was saved before is kept; this change is not."
BUSY = (
    "is held by another program for longer than {waited_s:g} s. Close what else has it open (a copy or a "
    f"backup program, a second Shimwise), and do it again. {_KEPT}"
)
UNSURE = (
    "has not answered for {waited_s:g} s, so it is not known whether this change is kept. Look whether it is "
    "there. What was sent under an id of its own, as readings are, may be sent again: it is kept once."
)
FULL = f"has no more room on its disk. Free some space, and do it again. {_KEPT}"
READ_ONLY = (
    "may be read but not written. Allow this user to write the file and its folder, or name another place "
    f"with --data. {_KEPT}"
)
AWAY = (
    "cannot be reached ({cause}). See that its server runs and the network holds, or that the folder is "
    "there; then do it again: what was sent twice is kept once."
)
DAMAGED = (
    "is damaged, or is no record of Shimwise ({cause}). Leave it as it is, and restore the latest backup "
    "with shimwise restore."
)
OTHER = "refused the change ({cause}). Nothing of it is kept; run shimwise check."

GONE = (
    "is not where it was: its file was deleted or moved while it was open. What was sent meanwhile may be "
    "lost with it. Put the file back, or restore a backup, then start again."
)
EMPTIED = "it was emptied while it was open"
REPLACED = f"was replaced by another one meanwhile, as by shimwise restore. Open it again. {_KEPT}"

_SQLITE = (
    (("SQLITE_READONLY_DBMOVED",), RecordBusy, REPLACED),
    (("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_PROTOCOL"), RecordBusy, BUSY),
    (("SQLITE_FULL", "SQLITE_IOERR_WRITE", "SQLITE_IOERR_SHMSIZE", "SQLITE_IOERR_FSYNC"), RecordFull, FULL),
    (("SQLITE_READONLY", "SQLITE_PERM"), RecordReadOnly, READ_ONLY),
    (("SQLITE_CORRUPT", "SQLITE_NOTADB"), RecordDamaged, DAMAGED),
    (("SQLITE_CANTOPEN",), RecordAway, AWAY),
    (("SQLITE_IOERR",), RecordUnreachable, AWAY),
)
_POSTGRES = (
    (("55P03", "57014", "40001", "40P01", "53300"), RecordBusy, BUSY),
    (("53100", "53200", "54"), RecordFull, FULL),
    (("25006", "42501"), RecordReadOnly, READ_ONLY),
    (("XX001", "XX002"), RecordDamaged, DAMAGED),
    (("08", "57P", "28", "3D000"), RecordUnreachable, AWAY),
)
_FILES = (
    ((errno.ENOSPC, errno.EDQUOT, errno.EFBIG), RecordFull, FULL),
    ((errno.EROFS, errno.EACCES, errno.EPERM), RecordReadOnly, READ_ONLY),
)


@contextmanager
def translated(
    where: str, *, waited_s: float, has_files: bool = False, path: Path | None = None
) -> Iterator[None]:
    """Translate the errors of a database within; the record's own errors pass.

    Parameters
    ----------
    where : str
        The record, as people know it.
    waited_s : float
        How long it waited for others. [s]
    has_files : bool
        Whether errors of the file system are the record's too.
    path : Path, optional
        The record's file: if it cannot be opened, whether it may be written decides between two errors.

    Raises
    ------
    StoreError
        One of its branches, by the code of the database or the file system.
    Conflict
        If a rule of the tables is broken.
    """
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        if isinstance(error, OSError) and not has_files:
            raise  # it comes from what the caller does beside the record
        raise translate(error, where, waited_s=waited_s, path=path) from error


def translate(error: Exception, where: str, *, waited_s: float, path: Path | None = None) -> Exception:
    """Return the record's own error for one of the database or the file system."""
    if isinstance(error, IntegrityError):
        return Conflict(
            f"The record refuses this: {_first_line(error.orig)}. It contradicts what is kept "
            "already; look at it again, then repeat.",
            kind="row",
            id="",
        )
    if isinstance(error, PoolTimeout):
        return RecordBusy(BUSY.format(waited_s=waited_s), where=where)
    kind, words = _rule_for(error)
    if issubclass(kind, RecordAway) and path is not None and not _may_write(path):
        kind, words = RecordReadOnly, READ_ONLY
    origin = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    return kind(words.format(waited_s=waited_s, cause=_first_line(origin)), where=where)


def _rule_for(error: Any) -> tuple[type[StoreError], str]:
    origin = getattr(error, "orig", None) or error
    if isinstance(origin, sqlite3.Error):
        return _match(getattr(origin, "sqlite_errorname", None) or "", _SQLITE)
    if isinstance(origin, OSError):
        found = next(((kind, words) for codes, kind, words in _FILES if origin.errno in codes), None)
        return found or (RecordAway, AWAY)
    state = getattr(origin, "sqlstate", None)
    # A server that is not reached, or whose connection is cut, sends no code.
    is_cut = isinstance(error, DBAPIError) and error.connection_invalidated
    if is_cut or (state is None and isinstance(error, OperationalError | InterfaceError)):
        return RecordUnreachable, AWAY
    return _match(state or "", _POSTGRES)


def _may_write(path: Path) -> bool:
    """Return whether the file and its folder may be written; a log is made beside the file."""
    return all(os.access(one, os.W_OK) for one in (path, path.parent) if one.exists())


def _match(
    code: str, rules: tuple[tuple[tuple[str, ...], type[StoreError], str], ...]
) -> tuple[type[StoreError], str]:
    for starts, kind, words in rules:
        if code.startswith(starts):
            return kind, words
    return StoreError, OTHER


def _first_line(error: object) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror  # without the file's place
    return (str(error).strip().splitlines() or [""])[0].rstrip(".")
