"""Records that tests begin with: filled once in a run, shared by its processes, copied for each test."""

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from once_in_a_run import once_in_a_run
from shimwise.record.record import Record

__all__ = ["copied_record", "empty_record", "filled_with"]

FILE = "shimwise.sqlite"
Filled = TypeVar("Filled")


def _made(
    fill: Callable[..., Filled], arguments: tuple[object, ...], chosen: tuple[tuple[str, object], ...]
) -> tuple[bytes, Filled]:
    with tempfile.TemporaryDirectory() as folder:
        with Record.open(folder) as record:
            filled = fill(record, *arguments, **dict(chosen))
        return (Path(folder) / FILE).read_bytes(), filled


def copied_record(folder: Path, fill: Callable[..., Filled], *arguments: object, **chosen: object) -> Filled:
    """Put a copy of a record filled by ``fill(record, ...)`` into ``folder``; return what ``fill`` returned.

    ``fill`` runs once for the same arguments, and leaves nothing open; what it returns is shared by all.
    """
    data, filled = once_in_a_run(_made, fill, arguments, tuple(sorted(chosen.items())))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / FILE).write_bytes(data)
    return filled


def filled_with(fill: Callable[..., Filled], *arguments: object, **chosen: object) -> Filled:
    """Return what ``fill`` returned when it filled the record that is copied."""
    return once_in_a_run(_made, fill, arguments, tuple(sorted(chosen.items())))[1]


def empty_record(folder: Path) -> Path:
    """Put an empty record into ``folder``: it has its tables, which take 60 ms to make. Return its file."""
    copied_record(folder, _leave_empty)
    return folder / FILE


def _leave_empty(_record: Record) -> None:
    pass
