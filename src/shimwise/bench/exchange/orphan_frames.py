"""Frames that lie in the record's folder and belong to no sweep: left by a program that was killed."""

import re
from pathlib import Path
from typing import TYPE_CHECKING

from shimwise.bench.sweep.frame_files import FRAMES
from shimwise.record.backup.checking import Contradiction
from shimwise.record.queries.lookups import sweep_ids

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shimwise.record.record import Record

_PART = re.compile(r"\.[0-9a-f]{32}\.part")
_WHOLE = re.compile(r"[0-9a-f]{32}")


def frames_left(record: "Record") -> tuple[Contradiction, ...]:
    """List the frames of no sweep, with their size; the record is well all the same.

    Those that the pages receive or measure at this moment are among them. What else lies there is let be.
    """
    folder = record.folder / FRAMES
    there = sorted(folder.iterdir()) if folder.is_dir() else []
    with record.reading() as connection:
        known = sweep_ids(connection)
    return tuple(_found(there, known))


def _found(there: list[Path], known: set[str]) -> "Iterator[Contradiction]":
    for place in there:
        if _PART.fullmatch(place.name):
            why = "did not come whole"
        elif _WHOLE.fullmatch(place.name) and place.name not in known:
            why = "are of no sweep that is kept"
        else:
            continue
        yield Contradiction(
            subject=f"{FRAMES}/{place.name}",
            text=f"{_size_mb(place):.1f} MB of frames that {why}. Unless the pages measure them now, the "
            "folder may go; then send them again.",
        )


def _size_mb(place: Path) -> float:
    return sum(path.stat().st_size for path in place.rglob("*") if path.is_file()) / 1e6
