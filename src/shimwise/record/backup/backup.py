"""Backups of a record while it is used, and restoring one: checked first, and what it replaces is kept."""

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select, text

from shimwise.fields import build_from
from shimwise.record.backup.checking import contradictions
from shimwise.record.backup.portable import ENDING, count_rows, is_portable, read_portable, write_portable
from shimwise.record.error_translation import translated
from shimwise.record.errors import RecordAway, RecordBusy, RecordDamaged
from shimwise.record.file_copy import Progress, copy_file, make_durable, open_read_only
from shimwise.record.location import Location, location_of
from shimwise.record.record import Record, utc_now
from shimwise.record.tables import schema

IN_USE = "is in use by another program. Stop it (shimwise serve, too), and restore again. Nothing is changed."
NO_BACKUP = "is no record of Shimwise: it holds no preps. Nothing was changed; take another copy."
NO_DATABASE = "is no record of Shimwise. Nothing was changed; take another copy."
SQLITE_HEADER = b"SQLite format 3\0"
"""The first bytes of each of its files (https://www.sqlite.org/fileformat.html, 1.3)."""
EMPTY = "is empty. Nothing was changed; take another copy."
CONTRADICTS = "contradicts itself ({first}{more}). It is not put in place of anything; take another backup."
PART = "shimwise-restoring.sqlite"
_TOKENS = schema.tokens
PRIMARY_CODE = 0xFF
"""The bits of an extended result code of SQLite that are its primary one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """A backup that was made: where, and how large. [bytes]"""

    path: Path
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordCounts:
    """What a record or a backup holds."""

    preps: int
    readings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacing:
    """What goes in the place of what; ``before`` is None where there is no record that can be read."""

    where: str
    is_there: bool
    before: RecordCounts | None
    after: RecordCounts


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored(Replacing):
    """What was restored.

    ``kept``: where what it replaced lies now; None where there was nothing. ``tokens_ended``: of the backup's
    devices, programs and people who were signed in, those that do not count any more.
    """

    kept: Path | None
    tokens_ended: int


Announce = Callable[[Replacing], None]
"""Called before anything is replaced. What it raises ends the work, and nothing is changed."""


def backup(record: Record, target: str | Path, *, progress: Progress | None = None) -> Backup:
    """Copy a record as it is at one moment, while it is used.

    Parameters
    ----------
    record : Record
        What to copy.
    target : str or Path
        A file that is not there yet, or a folder, in which it is named by the time. A name ending in
        ``.jsonl.gz`` gets lines of JSON, which any database takes back; a record on a server is always copied
        so.
    progress : callable, optional
        Called with pages or rows done, and all of them. What it raises ends the copy, and nothing is left.

    Raises
    ------
    RecordAway
        If the target is there already, or its folder is not.
    RecordFull, RecordReadOnly
        If the copy cannot be written.
    """
    path = _target(record, Path(target).expanduser().absolute())
    with translated(str(path), waited_s=record.waited_s, has_files=True):
        if path.exists():
            raise RecordAway("is there already. Name another file.", where=str(path))
        if record.location.path is not None and not is_portable(path):
            copy_file(record.location.path, path, progress=progress)
        else:
            with record.reading() as connection:
                write_portable(connection, path, progress=progress)
        return Backup(path=path, size_bytes=path.stat().st_size)


def restore(
    source: str | Path,
    where: str | Path | None,
    *,
    at: datetime | None = None,
    announce: Announce | None = None,
    progress: Progress | None = None,
) -> Restored:
    """Replace a record by a backup.

    The backup is copied and checked first; what it replaces is kept beside it, under a name with the time.
    A token that was ended since the backup stays ended: of the backup's those count alone that the replaced
    record holds too. Where nothing is replaced all do; where what is replaced cannot be read, none.

    Parameters
    ----------
    source : str or Path
        The backup.
    where : str, Path or None
        The record, as for :meth:`Record.open`.
    at : datetime, optional
        The time in the name of what is kept; by default now.
    announce : callable, optional
        Called with what is replaced by what, before it is.

    Raises
    ------
    RecordAway
        If the backup is not there.
    RecordDamaged, RecordTooNew, ExchangeError
        If it is no backup, contradicts itself, or a newer version made it.
    RecordBusy
        If the record is in use.
    """
    origin, location = Path(source).expanduser().absolute(), location_of(where)
    if not origin.is_file():
        raise RecordAway("is not there. Check the name of the backup.", where=str(origin))
    if not origin.stat().st_size:
        raise RecordDamaged(EMPTY, where=str(origin))
    stamp = (at or utc_now()).strftime("%Y%m%dT%H%M%SZ")
    if location.path is None:
        return _restore_server(origin, location, stamp, announce, progress)
    with translated(location.name, waited_s=1.0, has_files=True):
        location.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    part = location.folder / PART
    try:
        with translated(str(origin), waited_s=1.0, has_files=True):
            held = _prepared(origin, part, progress)
        before = _held_in_file(location.path)
        replacing = Replacing(where=location.name, is_there=location.path.exists(), before=before, after=held)
        if announce is not None:
            announce(replacing)
        with translated(location.name, waited_s=1.0, has_files=True):
            ended = _end_tokens_in_file(part, _tokens_in_file(location.path)) if replacing.is_there else 0
            kept = _put_in_place(part, location.path, stamp)
    finally:
        for leftover in _with_logs(part):
            with suppress(OSError):
                leftover.unlink(missing_ok=True)
    return build_from(Restored, replacing, kept=kept, tokens_ended=ended)


def _target(record: Record, path: Path) -> Path:
    ending = ENDING if record.location.path is None else ".sqlite"
    if path.is_dir():
        return path / f"shimwise-{record.clock().strftime('%Y%m%dT%H%M%SZ')}{ending}"
    return path


def _held_in_file(path: Path) -> RecordCounts | None:
    """Return what a record's file holds, whatever its version; None where there is none that can be read."""
    if not path.is_file():
        return None
    with suppress(sqlite3.Error), closing(open_read_only(path)) as connection:
        return _held_in(connection.execute)
    return None


def _tokens_in_file(path: Path) -> set[str]:
    """Return the digests of the tokens that count in a record's file; none where it cannot be read."""
    with suppress(sqlite3.Error), closing(open_read_only(path)) as connection:
        return {digest for (digest,) in connection.execute(f"SELECT digest FROM {_TOKENS.name}")}  # noqa: S608
    return set()


def _end_tokens_in_file(path: Path, counting: set[str]) -> int:
    """End the tokens in a record's file that are not among those that count; return how many."""
    ended = _tokens_in_file(path) - counting
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.executemany(
            f"DELETE FROM {_TOKENS.name} WHERE digest = ?",  # noqa: S608 - a table of ours
            [(digest,) for digest in ended],
        )
    make_durable(path)
    return len(ended)


def _prepared(origin: Path, part: Path, progress: Progress | None) -> RecordCounts:
    """Make a record of a backup, brought to this version and checked; return what it holds."""
    for leftover in _with_logs(part):
        leftover.unlink(missing_ok=True)
    if is_portable(origin):
        with Record.open(part) as record, record.changing_all() as connection:
            _fill(connection, origin)
    else:
        with origin.open("rb") as stream:
            if stream.read(len(SQLITE_HEADER)) != SQLITE_HEADER:
                raise RecordDamaged(NO_DATABASE, where=str(origin))
        copy_file(origin, part, progress=progress)
        if _held_in_file(part) is None:  # it would be made a fresh record
            raise RecordDamaged(NO_BACKUP, where=str(origin))
    with Record.open(part) as record, record.reading() as connection:
        held = _checked(connection, origin)
    with closing(sqlite3.connect(part)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
    make_durable(part)
    return held


def _checked(connection: Connection, origin: Path) -> RecordCounts:
    """Refuse what contradicts itself; return what is there."""
    found = contradictions(connection)
    if found:
        first = f"{found[0].subject} {found[0].text.rstrip('.')}"
        more = f", and {len(found) - 1} more" if len(found) > 1 else ""
        raise RecordDamaged(CONTRADICTS.format(first=first, more=more), where=str(origin))
    return _held_in(connection.exec_driver_sql)


def _held_in(execute: Callable[[str], Any]) -> RecordCounts:
    """Return what a record holds; ``execute``: of a connection of either library."""
    preps, readings = (
        execute(f"SELECT count(*) FROM {table.name}").fetchone()[0]  # noqa: S608 - a table of ours
        for table in (schema.preps, schema.readings)
    )
    return RecordCounts(preps=preps, readings=readings)


def _put_in_place(part: Path, path: Path, stamp: str) -> Path | None:
    kept = None
    if path.exists():
        kept = _free(path.with_name(f"{path.stem}.before-restore-{stamp}{path.suffix}"))
        with _held(path) as held:
            _keep_beside(path, kept, held)
            try:
                part.replace(path)
            except PermissionError:  # Windows replaces no open file
                if held is None:
                    raise
                held.close()
                part.replace(path)
    else:
        part.replace(path)
    make_durable(path.parent)
    return kept


def _keep_beside(path: Path, kept: Path, held: sqlite3.Connection | None) -> None:
    """Link a record under another name; at every moment there is one under its own."""
    try:
        os.link(path, kept)
    except OSError:  # a file system without links
        if held is None:
            shutil.copy2(path, kept)
        else:  # POSIX drops all locks of a process on a file when it closes any handle of it
            kept.touch(mode=0o600)
            with closing(sqlite3.connect(kept)) as copy:
                held.backup(copy)
    for log in _with_logs(path)[1:]:  # of a damaged record: no log may meet another's pages
        if log.exists():
            log.replace(kept.with_name(f"{kept.name}{log.name.removeprefix(path.name)}"))


@contextmanager
def _held(path: Path) -> Iterator[sqlite3.Connection | None]:
    """Lock a record until another is in its place; None: it is no record any more, and nobody uses it.

    Its log is written into the file, which succeeds only when nobody else has it open. Whoever opens it from
    then on waits, and finds that it was replaced.
    """
    with closing(sqlite3.connect(path, timeout=1.0, isolation_level=None)) as connection:
        yield connection if _taken_alone(connection, path) else None


def _taken_alone(connection: sqlite3.Connection, path: Path) -> bool:
    try:
        if connection.execute("PRAGMA journal_mode=DELETE").fetchone()[0] == "delete":
            connection.execute("PRAGMA locking_mode=EXCLUSIVE")  # the lock outlives its transaction
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("COMMIT")
            return True
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & PRIMARY_CODE not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise
    except sqlite3.DatabaseError:
        return False
    raise RecordBusy(IN_USE, where=str(path))


def _free(path: Path) -> Path:
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return free


def _with_logs(path: Path) -> list[Path]:
    return [path, *(path.with_name(f"{path.name}{ending}") for ending in ("-wal", "-shm", "-journal"))]


def _restore_server(
    origin: Path, location: Location, stamp: str, announce: Announce | None, progress: Progress | None
) -> Restored:
    """Replace what a server holds within one transaction; what was there is kept beside the backup."""
    if not is_portable(origin):
        raise RecordDamaged(
            f"is no copy that a server takes; its name has to end in {ENDING}.", where=str(origin)
        )
    kept = None
    with (
        Record.open(location.url.render_as_string(hide_password=False)) as record,
        record.changing_all() as connection,
    ):
        is_there, before = count_rows(connection) > 0, _held_in(connection.exec_driver_sql)
        counting = set(connection.execute(select(_TOKENS.c.digest)).scalars())
        if is_there:
            kept = _free(origin.with_name(f"shimwise.before-restore-{stamp}{ENDING}"))
            with translated(str(kept), waited_s=record.waited_s, has_files=True):
                write_portable(connection, kept, progress=progress)
        connection.execute(text(f"TRUNCATE {', '.join(table.name for table in schema.ORDER)}"))
        _fill(connection, origin)
        after, ended = _checked(connection, origin), 0
        if is_there:
            ended = connection.execute(_TOKENS.delete().where(_TOKENS.c.digest.not_in(counting))).rowcount
        replacing = Replacing(where=location.name, is_there=is_there, before=before, after=after)
        if announce is not None:
            announce(replacing)  # still within the transaction: what it raises takes all of it back
    return build_from(Restored, replacing, kept=kept, tokens_ended=ended)


def _fill(connection: Connection, origin: Path) -> None:
    def take(name: str, rows: list[dict[str, Any]]) -> None:
        connection.execute(schema.METADATA.tables[name].insert(), rows)

    with translated(str(origin), waited_s=0.0, has_files=True):
        read_portable(origin, take=take)
