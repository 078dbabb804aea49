"""Backups of a record while it is used, and restoring one: looked at first, and what it replaces is kept."""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select, text

from shimwise.record.backup.checking import findings
from shimwise.record.backup.copying import Progress, copy_file, made_durable
from shimwise.record.backup.portable import ENDING, count_rows, is_portable, read_portable, write_portable
from shimwise.record.error_translation import told
from shimwise.record.errors import RecordAway, RecordBusy, RecordDamaged
from shimwise.record.location import Place, place_of
from shimwise.record.record import Record, utc_now
from shimwise.record.tables import schema

__all__ = ["Backup", "Restored", "backup", "restore"]

IN_USE = "is in use by another program. Stop it (shimwise serve, too), and restore again. Nothing is changed."
CONTRADICTS = "contradicts itself ({first}{more}). It is not put in place of anything; take another backup."
PART = "shimwise-restoring.sqlite"


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """A backup that was made: where, and how large. [bytes]"""

    path: Path
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What was restored. ``kept``: where what it replaced lies now; None where there was nothing."""

    where: str
    preps: int
    readings: int
    kept: Path | None


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
        Told pages or rows done, and all of them. What it raises ends the copy, and nothing is left behind.

    Raises
    ------
    RecordAway
        When the target is there already, or its folder is not.
    RecordFull, RecordReadOnly
        When the copy cannot be written.
    """
    path = _target(record, Path(target).expanduser().absolute())
    with told(str(path), waited_s=record.waited_s, has_files=True):
        if path.exists():
            raise RecordAway("is there already. Name another file.", where=str(path))
        if record.place.path is not None and not is_portable(path):
            copy_file(record.place.path, path, progress=progress)
        else:
            with record.reading() as connection:
                write_portable(connection, path, progress=progress)
        return Backup(path=path, size_bytes=path.stat().st_size)


def restore(
    source: str | Path,
    where: str | Path | None,
    *,
    at: datetime | None = None,
    progress: Progress | None = None,
) -> Restored:
    """Put a backup in the place of a record.

    The backup is copied and looked at first; what it replaces is kept beside it, under a name with the time.

    Parameters
    ----------
    source : str or Path
        The backup.
    where : str, Path or None
        The record, as for :meth:`Record.open`.
    at : datetime, optional
        The time in the name of what is kept; now when left out.

    Raises
    ------
    RecordAway
        When the backup is not there.
    RecordDamaged, RecordTooNew, PlainError
        When it is no backup, contradicts itself, or a newer version made it.
    RecordBusy
        When the record is in use.
    """
    origin, place = Path(source).expanduser().absolute(), place_of(where)
    if not origin.is_file():
        raise RecordAway("is not there. Check the name of the backup.", where=str(origin))
    stamp = (at or utc_now()).strftime("%Y%m%dT%H%M%SZ")
    if place.path is None:
        return _restore_server(origin, place, stamp, progress)
    with told(place.name, waited_s=1.0, has_files=True):
        place.folder.mkdir(parents=True, exist_ok=True)
    part = place.folder / PART
    try:
        with told(str(origin), waited_s=1.0, has_files=True):
            counts = _made_ready(origin, part, progress)
        with told(place.name, waited_s=1.0, has_files=True):
            kept = _put_in_place(part, place.path, stamp)
    finally:
        for leftover in _with_logs(part):
            with suppress(OSError):
                leftover.unlink(missing_ok=True)
    return Restored(where=place.name, preps=counts[0], readings=counts[1], kept=kept)


def _target(record: Record, path: Path) -> Path:
    ending = ENDING if record.place.path is None else ".sqlite"
    if path.is_dir():
        return path / f"shimwise-{record.clock().strftime('%Y%m%dT%H%M%SZ')}{ending}"
    return path


def _made_ready(origin: Path, part: Path, progress: Progress | None) -> tuple[int, int]:
    """Make a record of a backup, brought to this version and looked at; gives its preps and readings."""
    for leftover in _with_logs(part):
        leftover.unlink(missing_ok=True)
    if is_portable(origin):
        with Record.open(part) as record, record.changing_all() as connection:
            _fill(connection, origin)
    else:
        copy_file(origin, part, progress=progress)
    with Record.open(part) as record, record.reading() as connection:
        counts = _looked_at(connection, origin)
    with closing(sqlite3.connect(part)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
    made_durable(part)
    return counts


def _looked_at(connection: Connection, origin: Path) -> tuple[int, int]:
    """Refuse what contradicts itself; gives the preps and the readings."""
    found = findings(connection)
    if found:
        first = f"{found[0].subject} {found[0].text.rstrip('.')}"
        more = f", and {len(found) - 1} more" if len(found) > 1 else ""
        raise RecordDamaged(CONTRADICTS.format(first=first, more=more), where=str(origin))
    counted = [
        connection.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (schema.preps, schema.readings)
    ]
    return counted[0], counted[1]


def _put_in_place(part: Path, path: Path, stamp: str) -> Path | None:
    kept = None
    if path.exists():
        kept = _free(path.with_name(f"{path.stem}.before-restore-{stamp}{path.suffix}"))
        with _held(path) as held:
            _keep_beside(path, kept, held)
            if held is not None and os.name != "posix":
                held.close()  # only there an open file cannot be replaced
            part.replace(path)
    else:
        part.replace(path)
    made_durable(path.parent)
    return kept


def _keep_beside(path: Path, kept: Path, held: sqlite3.Connection | None) -> None:
    """Have a record under another name too; at every moment there is one under its own."""
    try:
        os.link(path, kept)
    except OSError:  # a file system without links
        if held is None:
            shutil.copy2(path, kept)
        else:  # opened by us a second time and closed, the file would be let go by every database of ours
            with closing(sqlite3.connect(kept)) as copy:
                held.backup(copy)
    for log in _with_logs(path)[1:]:  # of a damaged record: no log may meet another's pages
        if log.exists():
            log.replace(kept.with_name(f"{kept.name}{log.name.removeprefix(path.name)}"))


@contextmanager
def _held(path: Path) -> Iterator[sqlite3.Connection | None]:
    """Hold a record alone until another is in its place; None: it is no record any more, and nobody uses it.

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
        if "locked" not in str(error):
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


def _restore_server(origin: Path, place: Place, stamp: str, progress: Progress | None) -> Restored:
    """Replace what a server holds within one transaction; what was there lies beside the backup."""
    if not is_portable(origin):
        raise RecordDamaged(
            f"is no copy that a server takes; its name has to end in {ENDING}.", where=str(origin)
        )
    kept = None
    with (
        Record.open(place.url.render_as_string(hide_password=False)) as record,
        record.changing_all() as connection,
    ):
        if count_rows(connection):
            kept = _free(origin.with_name(f"shimwise.before-restore-{stamp}{ENDING}"))
            with told(str(kept), waited_s=record.waited_s, has_files=True):
                write_portable(connection, kept, progress=progress)
        connection.execute(text(f"TRUNCATE {', '.join(table.name for table in schema.ORDER)}"))
        _fill(connection, origin)
        counts = _looked_at(connection, origin)
    return Restored(where=place.name, preps=counts[0], readings=counts[1], kept=kept)


def _fill(connection: Connection, origin: Path) -> None:
    def take(name: str, rows: list[dict[str, Any]]) -> None:
        connection.execute(schema.METADATA.tables[name].insert(), rows)

    with told(str(origin), waited_s=0.0, has_files=True):
        read_portable(origin, take=take)
