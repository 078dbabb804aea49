"""The rows of a text of separated fields, as spreadsheets write it."""

import csv
import io
from collections.abc import Iterator

from shimwise.files.errors import ReadingsFileError

QUOTES_HINT = (
    'A quoted field has to be closed, and an inch mark within quotes is written twice: "2\'-10 3/4""".'
)
"""What to do about a text that cannot be parted."""


def filled_rows(
    text: str, separator: str, name: str, *, hint: str = QUOTES_HINT
) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows that hold anything, each with the line it starts on.

    Raises
    ------
    ReadingsFileError
        If the text cannot be parted into fields: with the line, ``name`` as the file's, and
        ``hint`` for what to do.
    """
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True
    )
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader, None)
        except csv.Error as error:
            raise ReadingsFileError(
                f"cannot be parted into fields ({error}). {hint}",
                name=name,
                line=line,
            ) from error
        if cells is None:
            return
        if any(cell and not cell.isspace() for cell in cells):
            yield line, cells
