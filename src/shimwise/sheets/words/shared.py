"""The words and figures that every sheet shares: verdicts, errors with their ±, probabilities, distances."""

import math
import re
import unicodedata
from collections.abc import Iterable

from rich.cells import cell_len, chop_cells

from shimwise.errors import LengthError
from shimwise.inference.verdict.answer import OUT, BodyAnswer
from shimwise.inference.verdict.headline import probability_text
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.number_format import NOT_KNOWN, half_text, plus_minus_text, signed_text

__all__ = [
    "NOT_KNOWN",
    "ascii_text",
    "capital",
    "counted",
    "distance_text",
    "error_text",
    "fitted",
    "half_text",
    "is_out",
    "listed",
    "plain",
    "plain_or_ascii",
    "plus_minus_text",
    "probability_text",
    "signed_text",
    "titled",
    "wrapped",
]

_PLURALS = {"lens": "lenses", "body": "bodies", "remedy": "remedies"}
_PLUS_MINUS = ("±", "+/-")
_NUMBERED = re.compile(r"[0-9]{1,2}\.")
_OPENING = (*_PLUS_MINUS, "<", ">")
_UNITS = ("µm", "um", "mm", "m", "%", "‰", "/1000", "ft", "turn")

_ASCII = {
    "±": "+/-",
    "−": "-",
    "–": "-",
    "—": "-",
    "·": "-",
    "µ": "u",
    "μ": "u",
    "×": "x",
    "÷": "/",
    "°": " deg",
    "‰": "/1000",
    "′": "'",
    "″": '"',
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
    "…": "...",
    "→": "->",
    "←": "<-",
    "◀": "<",
    "▶": ">",
    "≤": "<=",
    "≥": ">=",
    "∞": "INF",
    "⁄": "/",
    "∕": "/",
    "ß": "ss",
    "ø": "o",
    "Ø": "O",
    "æ": "ae",
    "Æ": "AE",
    "œ": "oe",
    "Œ": "OE",
    "ł": "l",
    "Ł": "L",
    "đ": "d",
    "Đ": "D",
}


def plain(text: str) -> str:
    """Return a text in one line, without what could steer a terminal: other control characters show as �."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in " ".join(text.split()))


def ascii_text(text: str) -> str:
    """Write a text in ASCII: ``±`` as ``+/-``, ``é`` as ``e``, what has no likeness as ``?``."""
    if text.isascii():
        return text
    spelled = "".join(_ASCII.get(c, c) for c in text)
    letters = unicodedata.normalize("NFKD", spelled).replace("⁄", "/")
    kept = "".join(c for c in letters if not unicodedata.combining(c))
    return kept.encode("ascii", "replace").decode("ascii")


def plain_or_ascii(text: str, *, is_ascii: bool) -> str:
    """Return a text in one safe line, in ASCII where it has to be."""
    return ascii_text(plain(text)) if is_ascii else plain(text)


def fitted(text: str, cells: int, *, is_ascii: bool = False) -> str:
    """Cut the middle out of a text longer than ``cells`` terminal cells, since names of a series end apart.

    ``…`` (``~`` in ASCII) replaces what was cut; a third of what is left is the end.
    """
    kept = ascii_text(text) if is_ascii else text
    if cell_len(kept) <= cells:
        return kept
    end = kept
    while end and cell_len(end) > (cells - 1) // 3:
        end = end[1:]
    start = kept[: len(kept) - len(end)]
    while start and cell_len(start) + cell_len(end) > cells - 1:
        start = start[:-1]
    return f"{start}{'~' if is_ascii else '…'}{end}"


def wrapped(text: str, width: int) -> list[str]:
    """Break a text into lines of at most ``width`` cells; a number stays with its ± and its unit.

    What is wider than a line by itself is cut into pieces.
    """
    lines = [""]
    for chunk in _chunks(text):
        longer = f"{lines[-1]} {chunk}".lstrip()
        if cell_len(longer) <= width:
            lines[-1] = longer
            continue
        pieces = [piece for word in chunk.split(" ") for piece in chop_cells(word, width)]
        whole = [chunk] if cell_len(chunk) <= width else pieces
        lines.extend(whole)
    return lines if lines[0] or len(lines) == 1 else lines[1:]


def _chunks(text: str) -> list[str]:
    """Split a text where a line may end."""
    chunks: list[str] = []
    is_open = False
    for word in text.split(" "):
        bare = word.rstrip(".,;:)")
        is_unit = bool(chunks) and bare in _UNITS and chunks[-1][-1:].isdigit()
        if chunks and (is_open or bare in _PLUS_MINUS or is_unit):
            chunks[-1] = f"{chunks[-1]} {word}"
        else:
            chunks.append(word)
        is_open = bare in _OPENING or _NUMBERED.fullmatch(word) is not None
    return chunks


def is_out(unit: BodyAnswer) -> bool:
    """Return whether a unit is decided to be out."""
    return unit.verdict in OUT


def error_text(unit: BodyAnswer) -> str:
    """Write a unit's error and half its 95 % interval, ``−14 ± 6``. [µm]"""
    return plus_minus_text(unit.error_um, unit.half_um)


def distance_text(distance_mm: float) -> str:
    """Write a distance both ways, ``3' (914 mm)``, or ``INF``."""
    if math.isnan(distance_mm):
        return NOT_KNOWN
    if math.isinf(distance_mm):
        return "INF"
    try:
        return f"{mm_to_feet_text(distance_mm)} ({mm_to_metric_text(distance_mm)})"
    except LengthError:
        return f"{distance_mm:g} mm"


def titled(kind: str, name: str) -> str:
    """Put the kind before a name, ``body A-07``, unless the name has it already: ``Body 7``."""
    safe = plain(name)
    has_kind = re.match(rf"{kind.replace('-', '-?')}(?![^\W\d_])", safe, re.IGNORECASE)
    return safe if has_kind else f"{kind} {safe}"


def capital(words: str) -> str:
    """Begin a sentence: the first letter as a capital, the others as they are."""
    return words[:1].upper() + words[1:]


def counted(count: int, noun: str) -> str:
    """Write a count and its noun: ``1 lens``, ``1,200 readings``."""
    plural = next(
        (noun[: -len(one)] + many for one, many in _PLURALS.items() if noun.endswith(one)), f"{noun}s"
    )
    return f"{count:,} {noun if count == 1 else plural}"


def listed(items: Iterable[str], *, most: int = 6) -> str:
    """Join items as a sentence does: ``a, b and c``, or ``a, b and 4 more``."""
    names = list(items)
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
