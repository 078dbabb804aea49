"""Opening a file that a person names, with a plain word where it cannot be opened."""

from pathlib import Path
from typing import Protocol

from shimwise.errors import RecordError

LARGEST_BYTES = 64 * 2**20
"""Far more than a hundred thousand readings; a larger file is not what was meant."""


class _FileError(Protocol):
    def __call__(self, reason: str, *, name: str) -> RecordError: ...


def read_bytes(path: str | Path, *, error: _FileError) -> bytes:
    """Read a whole file.

    Parameters
    ----------
    path : str or Path
        The file.
    error : callable
        Makes the error to raise, from the reason and the file's name.

    Raises
    ------
    RecordError
        As ``error`` makes it, when the file cannot be opened or is larger than 64 MiB.
    """
    try:
        with Path(path).open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as cause:  # ValueError: a null byte in the path
        reason = cause.strerror if isinstance(cause, OSError) and cause.strerror else str(cause)
        raise error(f"cannot be opened: {reason}. Check the name and the folder.", name=str(path)) from cause
    if len(data) > LARGEST_BYTES:
        raise error(
            f"has more than {LARGEST_BYTES // 2**20} MiB; that is no file of this kind. Check the name.",
            name=str(path),
        )
    return data
