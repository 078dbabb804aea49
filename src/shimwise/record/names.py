"""Names compared without case and spaces."""

import unicodedata


def name_key(name: str) -> str:
    """Return a key that is equal for two names that people take for the same."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())
