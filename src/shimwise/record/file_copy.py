"""Copies of a record's file while it is in use."""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

Progress = Callable[[int, int], None]
"""Called from time to time with pages or rows done, and all of them. What it raises ends the work."""
PAGES_AT_ONCE = 2048
"""Copied between two looks at whether to go on: 8 MiB."""


def copy_file(
    source: Path, target: Path, *, progress: Progress | None = None, is_replacing: bool = False
) -> None:
    """Copy a record's file as it is at one moment, whatever is written meanwhile.

    The copy appears under its name when it is whole and on disk.

    Raises
    ------
    FileExistsError
        If the target is there and is not to be replaced.
    sqlite3.Error, OSError
        If it cannot be read or written; nothing is left behind.
    """
    if target.exists() and not is_replacing:
        raise FileExistsError(f"{target} is there already")

    def report(_status: int, remaining: int, total: int) -> None:
        if progress is not None:
            progress(total - remaining, total)

    with (
        written_whole(target) as part,
        closing(open_read_only(source)) as origin,
        closing(sqlite3.connect(part)) as copy,
    ):
        origin.execute("BEGIN")
        origin.execute(
            "SELECT count(*) FROM sqlite_master"
        ).fetchone()  # a transaction sees the state of its first read
        origin.backup(copy, pages=PAGES_AT_ONCE, progress=report)
        # One file, whole in itself: no log beside it.
        copy.execute("PRAGMA journal_mode=DELETE")


@contextmanager
def written_whole(target: Path) -> Iterator[Path]:
    """Yield a path to write to; what is there at the end takes the target's name, or nothing is left.

    Only this user can read it, as the record itself.
    """
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    try:
        part.touch(mode=0o600, exist_ok=False)
        yield part
        make_durable(part)
        part.replace(target)
        make_durable(target.parent)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def open_read_only(path: Path) -> sqlite3.Connection:
    """Open a database that has to be there, for reading only."""
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)


def make_durable(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on disk."""
    if not path.is_dir():
        with path.open("rb+") as file:  # Windows syncs only what is open for writing
            os.fsync(file.fileno())
        return
    try:
        handle = os.open(path, os.O_RDONLY)
    except PermissionError:
        return  # Windows opens no folder; its file system keeps the names itself
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
