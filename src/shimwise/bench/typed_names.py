"""Names, notes and ids as they come from a person or a client: cleaned as in files, refused by field."""

import re
import uuid

from shimwise.bench.errors import InputError
from shimwise.files.errors import CellError
from shimwise.files.names import cleaned_name, cleaned_note

_ID = re.compile(r"[0-9a-f]{32}")


def typed_name(text: str, *, field: str) -> str:
    """Clean a name that has to be there.

    Raises
    ------
    InputError
        If nothing is named, or the name would do harm in a spreadsheet or cannot be printed.
    """
    name = optional_name(text, field=field)
    if not name:
        raise InputError("is empty. Type it.", field=field, typed=text)
    return name


def optional_name(text: str, *, field: str) -> str:
    """Clean a name that may be left out; errors as :func:`typed_name`."""
    try:
        return cleaned_name(text)
    except CellError as error:
        raise InputError(str(error), field=field, typed=text) from error


def typed_note(text: str) -> str:
    """Clean a note; errors as :func:`typed_name`."""
    try:
        return cleaned_note(text)
    except CellError as error:
        raise InputError(str(error), field="note", typed=text) from error


def id_or_new(text: str | None) -> str:
    """Return the id that a client made, or a new one.

    Raises
    ------
    InputError
        If it is no UUID as 32 hexadecimal digits.
    """
    if not text:
        return uuid.uuid4().hex
    if not _ID.fullmatch(text):
        raise InputError(
            "is no id; it has to be a random UUID as 32 hexadecimal digits.", field="id", typed=text
        )
    return text
