"""Frames of no sweep: left in the record's folder by a program that was killed, or in its storage."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from shimwise.bench.sweep.frame_files import FRAMES, STORED
from shimwise.record.backup.checking import Contradiction
from shimwise.record.errors import StorageError
from shimwise.record.queries import jobs
from shimwise.record.queries.lookups import frames_of_sweeps
from shimwise.record.record import Record
from shimwise.record.storage import Storage, StoredFile
from shimwise.sheets.words.shared import counted

_PART = re.compile(r"\.[0-9a-f]{32}\.part")
_WHOLE = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FramesKept:
    """Of how many sweeps frames are kept beside the record: in its own folder, and in its storage."""

    in_folder: int
    in_storage: int


def frames_kept(record: Record) -> FramesKept:
    """Count the sweeps whose frames are kept: a backup holds none of them."""
    with record.reading() as connection:
        places = [place for place in frames_of_sweeps(connection).values() if place]
    stored = sum(place.startswith(STORED) for place in places)
    return FramesKept(in_folder=len(places) - stored, in_storage=stored)


def frames_left(record: Record, *, is_removed: bool = False) -> tuple[Contradiction, ...]:
    """List the frames of no sweep, with their size; the record is well all the same.

    Those that the pages receive or measure at this moment are among them. What else lies there is let be.

    Parameters
    ----------
    is_removed : bool
        Whether those in the storage are removed that came more than a day ago.

    Raises
    ------
    StorageError
        If the storage cannot be reached.
    """
    folder = record.folder / FRAMES
    there = sorted(folder.iterdir()) if folder.is_dir() else []
    with record.reading() as connection:
        known = frames_of_sweeps(connection)
        rows = [row for row in jobs.jobs(connection, kind=jobs.SWEEP, limit=10**6) if row.task]
    used = {*known.values(), *((row.task or {}).get("place", "") for row in rows)}
    waiting = {row.id.removeprefix(f"{jobs.SWEEP}-") for row in rows}
    return (*_found(there, {*known, *waiting}), *_in_storage(record, used, is_removed=is_removed))


def _found(there: list[Path], known: set[str]) -> Iterator[Contradiction]:
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


def _in_storage(record: Record, places: set[str], *, is_removed: bool) -> Iterator[Contradiction]:
    if record.storage is None:
        return
    lists = {place.removeprefix(STORED) for place in places if place.startswith(STORED)}
    objects, used = list(record.storage.objects()), set(lists)
    sizes = {one.digest: one.size for one in objects}
    for digest in sorted(lists):
        files = _listed(record.storage, digest)
        used |= {one.digest for one in files}
        if lost := _lost(files, sizes):
            yield Contradiction(
                subject=f"storage {digest[:12]}",
                text=f"{lost} not there, or not whole. Its landing stays; put the files back from a copy.",
            )
    unused = [one for one in objects if one.digest not in used]
    removed = [one for one in unused if is_removed and record.storage.remove(one, now=record.clock())]
    for many, verbs, what in (
        (removed, ("was", "were"), "removed"),
        (unused[len(removed) :], ("is", "are"), "of no sweep"),
    ):
        if many:
            size_mb = sum(one.size for one in many) / 1e6
            text = f"{counted(len(many), 'file')} ({size_mb:.1f} MB) {verbs[len(many) != 1]} {what}."
            if many is not removed:
                text += " Those that came more than a day ago go with --remove-orphans."
            yield Contradiction(subject="storage", text=text)


def _listed(storage: Storage, digest: str) -> list[StoredFile]:
    """Return the files of a list; none where the list is lost."""
    try:
        return list(storage.files(digest).values())
    except StorageError:
        return []


def _lost(files: list[StoredFile], sizes: Mapping[str, int]) -> str:
    """Return which files of a list are lost, in words; empty if it is whole. ``sizes``: what is there."""
    if not files:
        return "the list of the frames of a sweep is"
    count = sum(sizes.get(one.digest) != one.size for one in files)
    return f"{count} of {len(files)} files of a sweep are" if count else ""


def _size_mb(place: Path) -> float:
    return sum(path.stat().st_size for path in place.rglob("*") if path.is_file()) / 1e6
