"""Whether a reading agrees with the others, and its landing, in words."""

from dataclasses import dataclass

from shimwise.inference.verdict.expected_landing import Expected, ReadingLanding, is_apart
from shimwise.number_format import decimal_text, is_nought

__all__ = ["AGREES", "APART", "FIRST", "Agreement", "agreement_of", "landing_words"]

FIRST, AGREES, APART = "first", "agrees", "apart"


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Whether a reading agrees with the others: ``first``, ``agrees`` or ``apart``, and that in words."""

    kind: str
    words: str


def agreement_of(
    landing: ReadingLanding, expected: Expected | None, *, weight: float | None = None
) -> Agreement:
    """Compare a landing with what is expected of it; ``weight``: its weight in the verdict that has it."""
    if expected is not None and is_apart(landing, expected, weight=weight):
        off_um = landing.um - expected.um
        others = "the others say" if expected.is_paired else "body and lens should land"
        way = "deeper" if off_um > 0 else "shorter"
        return Agreement(kind=APART, words=f"{_um(abs(off_um))} {way} than {others}: read it again")
    if expected is not None and expected.is_paired:
        return Agreement(kind=AGREES, words="agrees with the others")
    return Agreement(kind=FIRST, words="the first of this lens on this body")


def landing_words(landing_um: float) -> str:
    """Return a landing in words, ``14 µm short``; less than half a micron is on the mark."""
    if is_nought(landing_um):
        return "on the mark"
    return f"{_um(abs(landing_um))} {'short' if landing_um < 0 else 'deep'}"


def _um(size_um: float) -> str:
    return f"{decimal_text(size_um, comma=True)} µm"
