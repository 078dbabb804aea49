"""What can be wrong with a file that comes in, with the place where it is."""

from collections.abc import Sequence

from shimwise.errors import RecordError

SHOWN_CHARACTERS = 60
"""Of a text found in a file, so much is repeated in a message."""


class ReadingsFileError(RecordError):
    """Raised when a readings file cannot be read, or one of its rows is impossible.

    Attributes
    ----------
    name : str
        The file, as the person knows it.
    line : int or None
        Line that a person sees in the file, from 1 (the header); None when it concerns the whole file.
    column : str or None
        Name of the column.
    found : str or None
        The text that was found there.
    """

    def __init__(
        self,
        reason: str,
        *,
        name: str,
        line: int | None = None,
        column: str | None = None,
        found: str | None = None,
    ) -> None:
        self.name, self.line, self.column, self.found = name, line, column, found
        place = [shown(name), f"line {line}" if line else "", f"column {column}" if column else ""]
        super().__init__(f"{', '.join(part for part in place if part)}: {reason}")


class WrongRowsError(ReadingsFileError):
    """Raised when several rows of a readings file cannot be read; ``rows`` holds what is wrong with each."""

    def __init__(self, rows: Sequence[ReadingsFileError], *, are_all: bool) -> None:
        self.rows = tuple(rows)
        first = rows[0]
        many = f"{len(rows)} rows are wrong" if are_all else f"the first {len(rows)} rows that are wrong"
        lines = "".join(f"\n  {str(one).removeprefix(f'{shown(one.name)}, ')}" for one in rows)
        super().__init__(f"{many}.{lines}", name=first.name, found=first.found)
        self.line, self.column = first.line, first.column


class KitError(RecordError):
    """Raised when a kit file cannot be read; carries the file's ``name`` and the ``key`` that is wrong."""

    def __init__(self, reason: str, *, name: str, key: str | None = None) -> None:
        self.name, self.key = name, key
        place = f"{shown(name)}, {key}" if key else shown(name)
        super().__init__(f"{place}: {reason}")


class CellError(RecordError):
    """Raised when one cell cannot be read, before its line is known; the message is the reason."""

    def __init__(self, reason: str, *, column: str | None = None, found: str | None = None) -> None:
        self.column, self.found = column, found
        super().__init__(reason)


def shown(text: str) -> str:
    """Return a text from outside as a message may repeat it: short, without characters that act."""
    clipped = text if len(text) <= SHOWN_CHARACTERS else f"{text[:SHOWN_CHARACTERS]}…"
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in clipped)
