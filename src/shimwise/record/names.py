"""How two names are told apart: not by case, nor by spaces."""

import unicodedata


def name_key(name: str) -> str:
    """Give what two names that people take for the same have in common."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())
