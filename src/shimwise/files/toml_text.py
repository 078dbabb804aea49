"""TOML as people write it, read by the standard library; what would keep that busy for minutes is refused."""

import re
import tomllib
from typing import Any

MOST_DOTS = 100
"""On a line that is no comment: the library takes time and memory as the square of a dotted key's parts."""
_LONG_NUMBER = re.compile(r"0[xob][0-9A-Fa-f_]{100}")
"""Read, but never written again: the language bounds the digits of a decimal alone."""
LARGEST = 2**20
"""Characters of a document."""


def read_toml(text: str) -> dict[str, Any]:
    """Return the tables of a TOML document.

    Raises
    ------
    ValueError
        If it is none (:class:`tomllib.TOMLDecodeError`), or longer than 2²⁰ characters, or with a number
        that has more than 100 digits.
    RecursionError
        If it is nested too deeply.
    """
    if len(text) > LARGEST:
        raise ValueError(f"it has more than {LARGEST} characters")
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > MOST_DOTS and not line.lstrip().startswith("#"):
            raise RecursionError(f"line {number} has more than {MOST_DOTS} dots")
    if _LONG_NUMBER.search(text):
        raise ValueError("a number in it has more than 100 digits")
    return tomllib.loads(text)
