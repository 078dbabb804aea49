"""How a number is written, with its sign, decimals and ±: one rule for every sentence, table and page."""

import math
from decimal import ROUND_HALF_UP, Decimal

NOT_KNOWN = "not known"
LARGE = 1e6
"""From here on a number is written with its power of ten."""
TENTH_BELOW, HUNDREDTH_BELOW = 2.0, 0.1
"""Half an interval below these is written with one decimal, and with two."""
MOST_DECIMAL = 1e15
"""From here on a float holds no half."""
NOISE_PLACES = 6
"""Decimals beyond these are rounding noise: they do not push a half to one side."""


def decimal_text(value: float, digits: int = 0, *, comma: bool = False) -> str:
    """Write a number with so many decimals, halves away from nought: 12.5 as ``13``, −12.5 as ``-13``.

    Parameters
    ----------
    value : float
        Finite.
    digits : int
        Decimals.
    comma : bool
        Whether thousands are parted.
    """
    if abs(value) >= MOST_DECIMAL:
        return f"{value:{',' if comma else ''}.{digits}f}"
    settled = Decimal(repr(round(float(value), NOISE_PLACES)))
    rounded = settled.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP)
    return f"{rounded:{',' if comma else ''}.{digits}f}"


def half_digits(half: float) -> int:
    """Return how many decimals half an interval and its value are written with."""
    size = abs(half)
    if not math.isfinite(size) or size >= TENTH_BELOW:
        return 0
    return 2 if 0 < size < HUNDREDTH_BELOW else 1


def is_nought(value: float) -> bool:
    """Return whether a number is written as nought, without decimals."""
    return float(decimal_text(value, 0)) == 0


def signed_text(value: float, *, digits: int = 0, comma: bool = False) -> str:
    """Write a number with its sign, ``−14`` or ``+2``; nought has none; what is no number is not known.

    ``comma`` parts thousands, as pages and sentences do.
    """
    if not math.isfinite(value):
        return NOT_KNOWN
    size = decimal_text(abs(value), digits, comma=comma) if abs(value) < LARGE else f"{abs(value):.2g}"
    if float(size.replace(",", "")) == 0:
        return size
    return f"{'−' if value < 0 else '+'}{size}"


def half_text(half: float) -> str:
    """Write half a 95 % interval, ``± 6``: with a decimal where it is below 2, with two below 0.1."""
    if not math.isfinite(half):
        return f"± {NOT_KNOWN}"
    return f"± {decimal_text(half, half_digits(half))}" if half < LARGE else f"± {half:.2g}"


def size_text(value: float, half: float) -> str:
    """Write the size of a value without its sign, and half its 95 % interval, ``14 ± 6``."""
    return f"{decimal_text(abs(value), half_digits(half))} {half_text(half)}"


def plus_minus_text(value: float, half: float) -> str:
    """Write a value and half its 95 % interval, ``−14 ± 6``, as many decimals to both."""
    if not math.isfinite(value):
        return NOT_KNOWN
    return f"{signed_text(value, digits=half_digits(half))} {half_text(half)}"
