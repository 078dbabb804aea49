"""The frames of a sweep as files: put into the record's folder under the sweep's id, all of them or none."""

import json
import os
import re
import shutil
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO, Any

from shimwise.bench.errors import InputError, RecordFull
from shimwise.bench.typed_names import id_or_new
from shimwise.record.record import Record

STORED = "sha256:"
"""Prefix of the address of frames in the record's storage; the digest of their list follows."""
FRAMES = "frames"
"""Folder of the record in which the frames of each sweep lie under its id."""
MOST_FILES = 500
COPY_BYTES = 2**20
_NAME = re.compile(r"[\w][\w .()+-]{0,119}")


def keep_frames(record: Record, sweep_id: str, files: Iterable[tuple[str, IO[bytes]]]) -> Path:
    """Put uploaded frames into the place of a sweep: all of them or none.

    Parameters
    ----------
    sweep_id : str
        Made by the client or by :func:`shimwise.bench.typed_names.id_or_new`.
    files : iterable of (name, open file)
        Stills, or a clip, with ``sweep.json`` and ``chart.json`` where there are.

    Raises
    ------
    InputError
        If there are none or too many, or a name cannot be.
    RecordFull
        If there is no room.
    """
    named = [(safe_file_name(name), file) for name, file in files]
    if not 0 < len(named) <= MOST_FILES:
        raise InputError(f"are {len(named)}; send 1 to {MOST_FILES} files.", field="files")
    names = [name.casefold() for name, _ in named]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError("is sent twice. Give each file its own name.", field="files", typed=twice)
    place = frames_folder(record, sweep_id)
    part = place.with_name(f".{place.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        part.mkdir(mode=0o700)
        for name, file in named:
            with open(part / name, "xb", opener=_private) as out:
                shutil.copyfileobj(file, out, COPY_BYTES)
        _sort_into_folders(part, {name for name, _ in named})
        if not place.exists():
            part.rename(place)
    except OSError as error:
        raise RecordFull(
            f"cannot keep the frames: {error.strerror}. Make room, then send them again.",
            where=str(place.parent),
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return place


def _private(path: str, flags: int) -> int:
    """Open a file that only this user can read."""
    return os.open(path, flags, 0o600)


def _sort_into_folders(place: Path, names: Collection[str]) -> None:
    """Put files into the folders in which ``sweep.json`` names them: a browser sends bare names alone.

    Anything beyond that is for the measuring to refuse: here a path that leads out is left as it is.
    """
    taken = {name.casefold() for name in names}
    for named in _named_files(sweep_settings(place)):
        path = PurePosixPath(named.replace("\\", "/"))
        folders, name = path.parts[:-1], path.name
        is_plain = all(_NAME.fullmatch(folder) and folder.casefold() not in taken for folder in folders)
        if folders and name in names and is_plain:
            wanted = place.joinpath(*path.parts)
            if (place / name).is_file() and not wanted.exists():
                wanted.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                (place / name).rename(wanted)


def sweep_settings(place: Path) -> dict[str, Any]:
    """Return what ``sweep.json`` holds; nothing where it cannot be read, which the measuring reports."""
    try:
        document = json.loads((place / "sweep.json").read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return document if isinstance(document, dict) else {}


def _named_files(settings: Mapping[str, Any]) -> Iterator[str]:
    """Yield the files that ``sweep.json`` names."""
    frames = settings.get("frames")
    entries = frames if isinstance(frames, list) else []
    for one in (*(entry.get("file") for entry in entries if isinstance(entry, dict)), settings.get("chart")):
        if isinstance(one, str):
            yield one


def frames_folder(record: Record, sweep_id: str) -> Path:
    """Return the place of a sweep's frames; nothing is made."""
    return record.folder / FRAMES / id_or_new(sweep_id)


def kept_place(record: Record, place: str | Path) -> str:
    """Return a place of frames as the record keeps it: from its own folder on, empty where it lies elsewhere.

    So an exported prep holds no path of this machine.
    """
    try:
        return Path(place).absolute().relative_to(record.folder.absolute()).as_posix()
    except ValueError:
        return ""


def place_kept(folder: Path, kept: str) -> Path | None:
    """Return the place that :func:`kept_place` made a text of; None where it is none below ``folder``.

    What came with a prep from elsewhere may name any; an older record names whole paths.
    """
    place = Path(os.path.normpath(folder.absolute() / kept))
    return place if kept and place.is_relative_to(folder.absolute()) else None


def store_frames(record: Record, place: Path) -> str:
    """Return the place of frames as the record keeps it; they are put into its storage, where it has one.

    Raises
    ------
    StorageError
        If it cannot be reached.
    """
    if record.storage is None:
        return kept_place(record, place)
    return STORED + record.storage.put_folder(place)


def is_in_reach(record: Record, kept: str) -> bool:
    """Return whether this machine can read the frames whose place is ``kept``; StorageError as above."""
    if kept.startswith(STORED):
        return record.storage is not None and record.storage.has(kept.removeprefix(STORED))
    place = place_kept(record.folder, kept)
    return place is not None and place.is_dir()


@contextmanager
def frames_at(record: Record, kept: str) -> Iterator[Path]:
    """Have the frames whose place is ``kept`` in a folder of this machine, checked by their digests.

    Raises
    ------
    StorageError
        If they are not there any more, or are not what was kept.
    InputError
        If they lie on another machine.
    """
    if kept.startswith(STORED) and record.storage is not None:
        with record.storage.folder(kept.removeprefix(STORED)) as place:
            yield place
        return
    found = place_kept(record.folder, kept)
    if found is None or not found.is_dir():
        raise InputError("are not in reach of this machine. Send them again.", field="files")
    yield found


def safe_file_name(name: str) -> str:
    """Return the bare name of an uploaded file, if it is one that every system keeps.

    Raises
    ------
    InputError
        If it is empty, too long, or holds anything but letters, digits, spaces and ``._()+-``.
    """
    bare = re.split(r"[\\/]", name)[-1].strip()
    if not _NAME.fullmatch(bare) or bare.endswith((".", " ")):
        raise InputError(
            "is no name for a file here; use letters, digits and . _ - alone, up to 120 of them.",
            field="files",
            typed=name,
        )
    return bare
