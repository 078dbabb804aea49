"""Copies of a record's file while it is in use."""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

__all__ = ["Progress", "copy_file", "made_durable", "read_only", "whole"]

Progress = Callable[[int, int], None]
"""Told from time to time: pages or rows done, and all of them. What it raises ends the work."""
PAGES_AT_ONCE = 2048


def copy_file(
    source: Path, target: Path, *, progress: Progress | None = None, is_replacing: bool = False
) -> None:
    """Copy a record's file as it is at one moment, whatever is written meanwhile.

    The copy appears under its name when it is whole and on disk.

    Raises
    ------
    FileExistsError
        When the target is there and is not to be replaced.
    sqlite3.Error, OSError
        When it cannot be read or written; nothing is left behind.
    """
    if target.exists() and not is_replacing:
        raise FileExistsError(f"{target} is there already")

    def told(_status: int, remaining: int, total: int) -> None:
        if progress is not None:
            progress(total - remaining, total)

    with (
        whole(target) as part,
        closing(read_only(source)) as origin,
        closing(sqlite3.connect(part)) as copy,
    ):
        origin.execute("BEGIN")
        origin.execute("SELECT count(*) FROM sqlite_master").fetchone()  # from here on: this one state
        origin.backup(copy, pages=PAGES_AT_ONCE, progress=told)
        # One file, whole in itself: no log beside it.
        copy.execute("PRAGMA journal_mode=DELETE")


@contextmanager
def whole(target: Path) -> Iterator[Path]:
    """Give a place to write to; what is there at the end takes the target's name, or nothing is left."""
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    try:
        yield part
        made_durable(part)
        part.replace(target)
        made_durable(target.parent)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def read_only(path: Path) -> sqlite3.Connection:
    """Open a file that has to be there, to look only."""
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)


def made_durable(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
