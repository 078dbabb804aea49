"""Opens a sweep's files safely: inside the folder only, ordinary files only, of a bounded size."""

import os
import stat
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from shimwise.imaging.frames.errors import DescriptionError, FrameFileError
from shimwise.imaging.frames.limits import MAX_FILE_BYTES, MAX_TEXT_BYTES


def inside(folder: Path, name: str) -> Path:
    """Find the file that a sweep lists, links followed.

    Parameters
    ----------
    folder : Path
        The sweep's folder.
    name : str
        Relative path with ``/`` as sweep.json writes it.

    Raises
    ------
    FrameFileError
        When the name is absolute, climbs out of the folder, or leads out of it by a link; when nothing is
        there.
    """
    written = PurePosixPath(name.replace("\\", "/"))
    if (
        not name.strip()
        or "\0" in name
        or written.is_absolute()
        or ".." in written.parts
        or ":" in written.parts[0]
    ):
        raise FrameFileError(
            name[:200], "its path leads out of the sweep's folder; list files inside it only"
        )
    root = folder.resolve()
    try:
        found = (root / written).resolve(strict=True)
    except (OSError, RuntimeError) as error:
        raise FrameFileError(name, "there is no such file in the sweep's folder") from error
    if not found.is_relative_to(root):
        raise FrameFileError(
            name, "it is a link out of the sweep's folder; copy the file itself into the folder"
        )
    return found


def open_ordinary(path: Path, *, file: str, most_bytes: int) -> BinaryIO:
    """Open an ordinary file for reading, no pipe or device, of at most ``most_bytes``.

    Raises
    ------
    FrameFileError
        When it is no ordinary file, cannot be read, is empty or too large.
    """
    flags = (
        os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0)
    )
    try:
        handle = os.open(path, flags)
    except OSError as error:
        raise FrameFileError(file, f"it cannot be opened ({error.strerror or error})") from error
    state = os.fstat(handle)
    reason = ""
    if not stat.S_ISREG(state.st_mode):
        reason = "it is a folder" if stat.S_ISDIR(state.st_mode) else "it is no ordinary file"
    elif state.st_size == 0:
        reason = "the file is empty"
    elif state.st_size > most_bytes:
        reason = f"the file has {state.st_size} bytes; the most that is opened is {most_bytes}"
    if reason:
        os.close(handle)
        raise FrameFileError(file, reason)
    return os.fdopen(handle, "rb")


def open_inside(folder: Path, name: str) -> BinaryIO:
    """Open a listed file for reading; refuses as :func:`inside` and :func:`open_ordinary` do."""
    return open_ordinary(inside(folder, name), file=name, most_bytes=MAX_FILE_BYTES)


def read_inside(folder: Path, name: str) -> bytes:
    """Read a listed file whole; refuses as :func:`open_inside` does."""
    with open_inside(folder, name) as stream:
        try:
            return stream.read(MAX_FILE_BYTES + 1)
        except OSError as error:
            raise FrameFileError(name, f"it cannot be read ({error.strerror or error})") from error


def read_text(path: Path) -> str:
    """Read a small text file in UTF-8, with or without a mark at its start.

    Raises
    ------
    DescriptionError
        When it is missing, no ordinary file, empty, too large, or not UTF-8.
    """
    try:
        with open_ordinary(path, file=path.name, most_bytes=MAX_TEXT_BYTES) as stream:
            return stream.read(MAX_TEXT_BYTES + 1).decode("utf-8-sig")
    except FrameFileError as error:
        raise DescriptionError(f"{error}.") from error
    except UnicodeDecodeError as error:
        raise DescriptionError(
            f"{path.name}: byte {error.start} is not UTF-8; save the file as UTF-8."
        ) from error
