"""Records that tests begin with: filled once in a run, shared by its processes, copied for each test."""

import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TypeVar

from shimwise.record.record import Record

__all__ = ["copied_record", "empty_record", "filled_with", "share_in"]

FILE = "shimwise.sqlite"
Filled = TypeVar("Filled")
_shared: list[Path] = []
"""The folder of the run, if its processes share one."""


def share_in(folder: Path) -> None:
    """Keep what is filled in a folder, where the other processes of this run find it."""
    folder.mkdir(exist_ok=True)
    _shared[:] = [folder]


@cache
def _made(
    fill: Callable[..., Filled], arguments: tuple[object, ...], chosen: frozenset[tuple[str, object]]
) -> tuple[bytes, Filled]:
    question = repr((fill.__module__, fill.__qualname__, arguments, sorted(chosen)))
    files = [folder / hashlib.sha256(question.encode()).hexdigest() for folder in _shared]
    for file in files:
        if file.exists():
            found: tuple[bytes, Filled] = pickle.loads(file.read_bytes())  # of this run
            return found
    with tempfile.TemporaryDirectory() as folder:
        with Record.open(folder) as record:
            filled = fill(record, *arguments, **dict(chosen))
        made = (Path(folder) / FILE).read_bytes(), filled
    for file in files:
        part = file.with_suffix(f".{os.getpid()}")
        part.write_bytes(pickle.dumps(made))
        part.replace(file)
    return made


def copied_record(folder: Path, fill: Callable[..., Filled], *arguments: object, **chosen: object) -> Filled:
    """Put a copy of a record filled by ``fill(record, ...)`` into ``folder``; return what ``fill`` returned.

    ``fill`` runs once for the same arguments, and leaves nothing open; what it returns is shared by all.
    """
    data, filled = _made(fill, arguments, frozenset(chosen.items()))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / FILE).write_bytes(data)
    return filled


def filled_with(fill: Callable[..., Filled], *arguments: object, **chosen: object) -> Filled:
    """Return what ``fill`` returned when it filled the record that is copied."""
    return _made(fill, arguments, frozenset(chosen.items()))[1]


def empty_record(folder: Path) -> Path:
    """Put an empty record into ``folder``: it has its tables, which take 60 ms to make. Return its file."""
    copied_record(folder, _leave_empty)
    return folder / FILE


def _leave_empty(_record: Record) -> None:
    pass
