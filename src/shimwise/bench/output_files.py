"""Files that a use case writes for a person: whole or not at all."""

from pathlib import Path

from shimwise.errors import SheetError


def write_whole(path: Path, content: bytes | str) -> None:
    """Write beside the path first, then into its place; raise SheetError if it cannot be written there."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(content.encode() if isinstance(content, str) else content)
        part.replace(path)
    except OSError as error:
        raise SheetError(f"{path} cannot be written ({error.strerror}); choose another place.") from error
    finally:
        part.unlink(missing_ok=True)
