"""Names and notes from files: cleaned the same way everywhere, and refused where they would do harm."""

import re
import unicodedata

from shimwise.files.errors import CellError

LONGEST_NAME = 80
LONGEST_NOTE = 1000
FORMULA_SIGNS = "=+-@＝＋－＠"
"""A spreadsheet runs a cell that starts with one of these, so such a name could act once it is exported."""
_FORMULA_SIGNS_OF_NOTES = "=@＝＠"
"""A note may begin with a number's sign; :func:`to_spreadsheet` keeps it from acting."""
_ACTING = re.compile(rf"'*[{re.escape(FORMULA_SIGNS)}]")
DASHES = {"-", "–", "—"}
_LOOKS_LIKE = str.maketrans(
    "авекмнорстухѕјԁԛԝһαβεζηκμνορτυχіӏιilo|‐‑‒–—―−",
    "abekmh0pctyxsjdqwhabezhkmn0ptyx1111101-------",
)
"""Cyrillic and Greek letters as their capitals look, and signs; small ones, as casefold leaves them."""
_SPACES = re.compile(r"\s+")


def cleaned_name(text: str) -> str:
    """Clean the name of a body, lens, person or set-up: outer and double spaces go, accents are composed.

    Parameters
    ----------
    text : str
        As found in the file. A dash alone means no name.

    Returns
    -------
    str
        Empty where nothing is named.

    Raises
    ------
    CellError
        If it has more than 80 characters, holds a control character, or starts like a formula.
    """
    return _cleaned(text, longest=LONGEST_NAME, what="a name", refused=FORMULA_SIGNS)


def cleaned_note(text: str) -> str:
    """Clean a note as :func:`cleaned_name` does; it may have 1000 characters, several lines and a sign first.

    Raises
    ------
    CellError
        As :func:`cleaned_name`.
    """
    return _cleaned(
        text,
        longest=LONGEST_NOTE,
        what="a note",
        refused=_FORMULA_SIGNS_OF_NOTES,
        allowed=frozenset("\n\r\t"),
    )


def look_alike_key(name: str) -> str:
    """Return a key that is equal for names that look alike: letters of other alphabets, O and 0.

    References
    ----------
    .. [1] Unicode Technical Standard #39, *Unicode Security Mechanisms*, 4 (confusable detection). The table
       is the part of its data that looks like letters and digits of names of units, from memory.
    """
    plain = unicodedata.normalize("NFKC", name).casefold().translate(_LOOKS_LIKE)
    return "".join(one for one in plain if not _is_space(one))


def to_spreadsheet(text: str) -> str:
    """Return a note as a CSV holds it: behind an apostrophe where a spreadsheet would run it as a formula."""
    return f"'{text}" if _ACTING.match(text) else text


def from_spreadsheet(text: str) -> str:
    """Return the note that :func:`to_spreadsheet` wrote."""
    return text[1:] if text.startswith("'") and _ACTING.match(text) else text


def _cleaned(
    text: str, *, longest: int, what: str, refused: str, allowed: frozenset[str] = frozenset()
) -> str:
    stripped = unicodedata.normalize("NFC", text.strip())
    if len(stripped) > longest:
        raise CellError(f"{what} of {len(stripped)} characters is too long; {longest} are accepted.")
    bad = next((c for c in stripped if not (c.isprintable() or c in allowed or _is_space(c))), None)
    if bad is not None:
        raise CellError(f"{what} cannot hold the control character U+{ord(bad):04X}; type it again.")
    cleaned = _SPACES.sub(" ", stripped)
    if cleaned in DASHES:
        return ""
    if cleaned[:1] and cleaned[0] in refused:
        raise CellError(
            f"{what} cannot start with {cleaned[0]}, which a spreadsheet would run as a formula; "
            "start it with a letter or a digit."
        )
    return cleaned


def _is_space(character: str) -> bool:
    return unicodedata.category(character) in {"Zs", "Zl", "Zp"}
