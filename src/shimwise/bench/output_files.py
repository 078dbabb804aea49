"""Files that a use case writes for a person: whole or not at all."""

from pathlib import Path

from shimwise.errors import SheetError


def write_whole(path: Path, content: bytes | str) -> None:
    """Write beside the path first, then into its place; raise SheetError if it cannot be written there.

    A device or a pipe is written into as it is, since a file must not take its place.
    """
    data = content.encode() if isinstance(content, str) else content
    part = path.with_name(f".{path.name}.part")
    try:
        if path.exists() and not path.is_file():
            path.write_bytes(data)
            return
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        raise SheetError(f"{path} cannot be written ({error.strerror}); choose another place.") from error
    finally:
        part.unlink(missing_ok=True)
