"""Names compared without case, spaces and kinds of dashes."""

import unicodedata

_DASHES = dict.fromkeys((*range(0x2010, 0x2016), 0x2043, 0x2212, 0xFE58), "-") | {0xAD: None}
"""Hyphens, dashes and the minus, as keyboards and other programs put them for one key; a soft hyphen is none.

Those that Unicode has for compatibility (U+FE63, U+FF0D) are taken care of by its form KC.
"""


def name_key(name: str) -> str:
    """Return a key that is equal for two names that people take for the same."""
    return " ".join(unicodedata.normalize("NFKC", name).translate(_DASHES).casefold().split())
