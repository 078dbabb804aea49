"""What a person gives a sweep beside its frames, and how its result is kept."""

from pathlib import Path
from typing import Any

from shimwise.errors import SheetError
from shimwise.imaging.frames import Recording

__all__ = ["recording_of", "write_whole"]


def recording_of(**known: Any) -> Recording:  # noqa: ANN401
    """Give what is known of the recording; what is None is left to the files.

    Parameters
    ----------
    **known
        As the attributes of :class:`shimwise.imaging.frames.Recording`.

    Raises
    ------
    ImagingError
        When a value is beyond what cameras and lenses have.
    """
    return Recording(**known)


def write_whole(path: Path, text: str) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    SheetError
        When it cannot be written there.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise SheetError(f"{path} cannot be written ({error.strerror}); choose another place.") from error
    finally:
        part.unlink(missing_ok=True)
