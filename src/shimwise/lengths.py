"""Text to millimetres and back, exactly, as a technician writes a length; and only that.

Feet, inches and fractions (``2' 11 1/2"``), their shorthand (``2-11.5``), metric (``914 mm``, ``10,5 m``) and
infinity (``INF``) are read into rational numbers. What could be a slip of the pen is refused with its place:
a wrong length that looks right costs more than typing it again.

References
----------
.. [1] International yard and pound agreement (1959): 1 in = 25.4 mm exactly, 12 in = 1 ft.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import NoReturn

from shimwise.errors import LengthError

ACCEPTED_FORMS = "3', 2' 11 1/2\", 35.5 in, 2-11.5 (feet-inches), 914 mm, 91.4 cm, 1.83 m, INF"
LONGEST_TEXT = 64
"""Characters that a length may have; more is no length but something pasted by mistake."""

MM_PER_INCH = Fraction(254, 10)
MM_PER_FOOT = 12 * MM_PER_INCH


class LengthTextError(LengthError):
    """Raised when a text is no length; carries the ``text``, the ``reason`` and the ``position`` (from 0)."""

    def __init__(self, *, text: str, position: int, reason: str) -> None:
        self.text, self.position, self.reason = text, position, reason
        shown = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
        if len(shown) > LONGEST_TEXT:
            shown = shown[:LONGEST_TEXT] + "…"
        place = f", at character {position + 1}" if shown else ""
        super().__init__(f"[{shown}] is no length{place}: {reason}. Accepted are: {ACCEPTED_FORMS}.")


def length_to_mm(text: str, *, default_unit: str | None = None) -> float:
    """Read a length as a person writes it [mm, always > 0].

    Parameters
    ----------
    text
        A length in one of :data:`ACCEPTED_FORMS`.
    default_unit
        The unit of a bare number, such as ``"mm"``; without it a bare number is refused.

    Returns
    -------
    float
        Millimetres, the nearest float to the exact value; ``math.inf`` for infinity.

    Raises
    ------
    LengthTextError
        As :func:`parse_length`.
    """
    return float(parse_length(text, default_unit=default_unit))


def parse_length(text: str, *, default_unit: str | None = None) -> Fraction | float:
    """Read a length as a person writes it, exactly [mm, always > 0].

    Upper and lower case, odd spaces, curly quotes, primes, full-width characters and signs such as ½ are all
    read. ``2' -3"`` is negative and refused, ``2'-3"`` and ``2' - 3"`` are not. Inches of 12 or more after
    feet that are not zero are a slip and refused, as is a comma before three digits (``1,830 mm``) that could
    mean thousands, except in metres.

    Parameters
    ----------
    text
        A length in one of :data:`ACCEPTED_FORMS`.
    default_unit
        The unit of a bare number, such as ``"mm"``; without it a bare number is refused.

    Returns
    -------
    Fraction or float
        Exact millimetres; for infinity the float ``math.inf``.

    Raises
    ------
    LengthTextError
        When the text is no length: with the place, what is wrong there, and the accepted forms.
    ValueError
        When ``default_unit`` itself is no unit (a mistake of the caller, not of the person typing).
    """
    if default_unit is not None and default_unit not in _UNITS:
        raise ValueError(f"default_unit {default_unit!r} is no unit; use one of {', '.join(_UNITS)}")
    return _parse(text, default_unit)


def mm_to_feet_text(mm: float | Fraction, *, denominator: int = 16) -> str:
    """Write a length in feet, inches and a reduced fraction: ``2' 11 1/2"``, or ``INF``.

    Parameters
    ----------
    mm
        Length [mm], > 0, infinite allowed.
    denominator
        Finest fraction of an inch, 16 for sixteenths; 1 for whole inches. A tie rounds up.

    Raises
    ------
    LengthError
        When the length is not above 0, is no number, or would round to nothing.
    """
    if denominator < 1:
        raise LengthError(f"An inch cannot be parted into {denominator}; use 1 or more, such as 16.")
    exact = _positive(mm)
    if exact is None:
        return "INF"
    parts = _whole_steps(exact, step_mm=MM_PER_INCH / denominator)
    feet, parts = divmod(parts, 12 * denominator)
    inches, parts = divmod(parts, denominator)
    fraction = f"{Fraction(parts, denominator)}" if parts else ""
    inch_text = " ".join(word for word in (f"{inches}" if inches else "", fraction) if word)
    return " ".join(
        word for word in (f"{feet}'" if feet else "", f'{inch_text}"' if inch_text else "") if word
    )


def mm_to_metric_text(mm: float | Fraction, *, resolution_mm: float = 1.0) -> str:
    """Write a length in millimetres, from 1 m up in metres: ``914 mm``, ``1.830 m``, or ``INF``.

    Parameters
    ----------
    mm
        Length [mm], > 0, infinite allowed.
    resolution_mm
        Step to which it is rounded [mm], > 0, such as 1, 0.1 or 5; as many decimals are written as the step
        needs. A tie rounds up.

    Raises
    ------
    LengthError
        When the length is not above 0, is no number, or would round to nothing; when the step is not above 0.
    """
    if not (math.isfinite(resolution_mm) and resolution_mm > 0):
        raise LengthError(f"The resolution {resolution_mm} mm must be above 0, such as 1.")
    step = Fraction(repr(float(resolution_mm)))
    exact = _positive(mm)
    if exact is None:
        return "INF"
    rounded = _whole_steps(exact, step_mm=step) * step
    if rounded < 1000:
        return f"{_fixed(rounded, places=_places(step))} mm"
    return f"{_fixed(rounded / 1000, places=_places(step / 1000))} m"


@lru_cache(maxsize=4096)
def _parse(text: str, default_unit: str | None) -> Fraction | float:
    """Read a length; a sheet of readings writes the same few lengths again and again."""
    return _Reader(text, None if default_unit is None else _UNITS[default_unit]).length_mm()


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit of length: its name, how many mm it is, and the system it belongs to."""

    name: str
    mm: Fraction
    system: str


_FOOT = _Unit("ft", MM_PER_FOOT, "feet and inches")
_INCH = _Unit("in", MM_PER_INCH, "feet and inches")
_METRE = _Unit("m", Fraction(1000), "metric")
_CENTIMETRE = _Unit("cm", Fraction(10), "metric")
_MILLIMETRE = _Unit("mm", Fraction(1), "metric")
_UNITS = {
    **dict.fromkeys(("ft", "foot", "feet"), _FOOT),
    **dict.fromkeys(("in", "ins", "inch", "inches"), _INCH),
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), _METRE),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters", "㎝"), _CENTIMETRE),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters", "㎜"), _MILLIMETRE),
}
SHORT_UNITS = ("mm", "cm", "m", "in", "ft")
"""The shortest name of each unit."""
_INFINITY = ("inf", "infinity", "∞")
_VULGAR = {
    **{"½": (1, 2), "⅓": (1, 3), "⅔": (2, 3), "¼": (1, 4), "¾": (3, 4), "⅕": (1, 5), "⅖": (2, 5)},
    **{"⅗": (3, 5), "⅘": (4, 5), "⅙": (1, 6), "⅚": (5, 6), "⅐": (1, 7), "⅛": (1, 8), "⅜": (3, 8)},
    **{"⅝": (5, 8), "⅞": (7, 8), "⅑": (1, 9), "⅒": (1, 10)},
}
_FULL_WIDTH = {0xFF01 + i: chr(0x21 + i) for i in range(94)}
_FOOT_MARKS = "'’‘‛′‵`´ʹʼ"
_TOKEN = re.compile(
    rf"""(?P<space>[\s\u200b\u200e\u200f\u2060\ufeff]+)
    |(?P<number>[0-9]+(?:[.,][0-9]+)?|\.[0-9]+)
    |(?P<vulgar>[{"".join(_VULGAR)}])
    |(?P<slash>[/⁄∕])
    |(?P<inch>["”“‟„″‶ʺ˝]|[{_FOOT_MARKS}]{{2}})
    |(?P<foot>[{_FOOT_MARKS}])
    |(?P<hyphen>[-‐‑‒–—])
    |(?P<minus>−)
    |(?P<comma>,)
    |(?P<word>∞|[㎜㎝]|(?:(?![{"".join(_VULGAR)}])[^\W\d_])+\.?)""",
    re.VERBOSE,
)


@dataclass(frozen=True, slots=True)
class _Token:
    """A word of a length: its kind, its text and its position."""

    kind: str
    text: str
    start: int


@dataclass(frozen=True, slots=True)
class _Amount:
    """A number read from the text, where it starts, and the unit written after it, if any."""

    value: Fraction
    start: int
    unit: _Unit | None
    unit_start: int
    digits: str


class _Reader:
    """Reads one text from left to right; every refusal names its place."""

    def __init__(self, text: str, default_unit: _Unit | None) -> None:
        self.text, self.default_unit = text, default_unit
        if len(text.strip()) > LONGEST_TEXT:
            self.refuse(LONGEST_TEXT, f"longer than {LONGEST_TEXT} characters")
        self.tokens = list(self.tokenise())
        self.next = 0

    def refuse(self, position: int, reason: str) -> NoReturn:
        raise LengthTextError(text=self.text, position=position, reason=reason)

    def tokenise(self) -> Iterator[_Token]:
        """Cut the text into words; the spaces around it separate a minus sign from a hyphen."""
        text, at, spaced = self.text.translate(_FULL_WIDTH), 0, True
        while at < len(text):
            match = _TOKEN.match(text, at)
            if match is None or match.lastgroup is None:
                self.refuse(at, f"{text[at]!r} has no meaning in a length")
            kind, end = match.lastgroup, match.end()
            glued = end < len(text) and not text[end].isspace()
            if kind == "minus" or (kind == "hyphen" and spaced and (glued or not text[:at].strip())):
                self.refuse(at, "a length cannot be negative")
            spaced = kind == "space"
            if not spaced:
                yield _Token("unit" if kind in {"foot", "inch"} else kind, match.group(), at)
            at = end

    def kind(self, ahead: int = 0) -> str:
        """Kind of the word that comes, ``"end"`` after the last."""
        place = self.next + ahead
        return self.tokens[place].kind if place < len(self.tokens) else "end"

    def start(self) -> int:
        """Position of the next word in the text."""
        return self.tokens[self.next].start if self.next < len(self.tokens) else len(self.text)

    def take(self) -> _Token:
        self.next += 1
        return self.tokens[self.next - 1]

    def length_mm(self) -> Fraction | float:
        if not self.tokens:
            self.refuse(0, "nothing is written")
        if self.tokens[0].text.casefold().removesuffix(".") in _INFINITY:
            if len(self.tokens) > 1:
                self.refuse(self.tokens[1].start, "infinity stands alone")
            return math.inf
        return self.sum_mm(self.amounts())

    def amounts(self) -> list[_Amount]:
        """Read amounts to the end: one, or several of one system from the larger unit to the smaller."""
        amounts = [self.amount(is_first=True)]
        while self.kind() != "end":
            if amounts[-1].unit is None:
                self.refuse(self.start(), "a unit is missing before this, or a sign between the numbers")
            if self.kind() in {"comma", "hyphen"} or self.is_and():
                self.take()
            amounts.append(self.amount(is_first=False))
        return amounts

    def amount(self, *, is_first: bool) -> _Amount:
        """Read a number and the unit after it; ``2-11`` at the start is feet, then inches."""
        start, first = self.start(), self.next
        value = self.number()
        digits = "".join(token.text for token in self.tokens[first : self.next])
        if self.kind() in {"unit", "word"} and not self.is_and():
            token = self.take()
            return _Amount(value, start, self.unit(token), token.start, digits)
        is_shorthand = is_first and self.kind() == "hyphen" and self.kind(1) in {"number", "vulgar"}
        return _Amount(value, start, _FOOT if is_shorthand else None, self.start(), digits)

    def is_and(self) -> bool:
        return self.kind() == "word" and self.tokens[self.next].text.casefold() == "and"

    def unit(self, token: _Token) -> _Unit:
        if token.kind == "unit":
            return _INCH if len(token.text) == 2 or token.text not in _FOOT_MARKS else _FOOT
        name = token.text.casefold().removesuffix(".")
        if name not in _UNITS:
            self.refuse(token.start, f"{name!r} is no unit of length known here")
        return _UNITS[name]

    def number(self) -> Fraction:
        """Read a whole or decimal number, a fraction, or a whole number and a fraction."""
        if self.kind() == "vulgar" or self.kind(1) == "slash":
            return self.fraction()
        if self.kind() != "number":
            self.refuse(self.start(), "a number is expected here")
        token = self.take()
        joined = 1 if self.kind() == "hyphen" else 0
        if self.kind(joined) == "vulgar" or (
            self.kind(joined) == "number" and self.kind(joined + 1) == "slash"
        ):
            self.next += joined
            return self.whole(token) + self.fraction()
        return Fraction(token.text.replace(",", "."))

    def fraction(self) -> Fraction:
        """Read a fraction between 0 and 1; more than 1 is ``11 1/2`` without its space, a slip."""
        token = self.take()
        if token.kind == "vulgar":
            return Fraction(*_VULGAR[token.text])
        if token.kind != "number":
            self.refuse(token.start, "a number is expected here")
        self.take()
        if self.kind() != "number":
            self.refuse(self.start(), "a whole number is expected below the fraction line")
        below = self.take()
        if self.whole(below) == 0:
            self.refuse(below.start, "division by zero")
        value = self.whole(token) / self.whole(below)
        if not 0 < value < 1:
            self.refuse(token.start, f"the fraction {token.text}/{below.text} is not between 0 and 1")
        return value

    def whole(self, token: _Token) -> Fraction:
        if not token.text.isdecimal():
            self.refuse(token.start, f"{token.text} must be a whole number where a fraction is written")
        return Fraction(int(token.text))

    def sum_mm(self, amounts: list[_Amount]) -> Fraction:
        """Add the amounts, each checked against the one before."""
        total, before, larger = Fraction(0), None, None
        for amount in amounts:
            unit = amount.unit or self.unit_left_out(amount, larger)
            self.check_comma(amount, unit)
            if before is not None and larger is not None:
                self.check_follows(amount, unit, before, larger)
            total += amount.value * unit.mm
            before, larger = amount, unit
        if total == 0:
            self.refuse(amounts[0].start, "a length of zero is no distance")
        return total

    def unit_left_out(self, amount: _Amount, larger: _Unit | None) -> _Unit:
        """Return the unit that the writer left out: inches after feet, or the default of the field."""
        if larger is _FOOT:
            return _INCH
        if larger is not None or self.default_unit is None:
            self.refuse(amount.unit_start, "the number has no unit")
        return self.default_unit

    def check_follows(self, amount: _Amount, unit: _Unit, before: _Amount, larger: _Unit) -> None:
        if unit.system != larger.system:
            self.refuse(amount.unit_start, "feet and inches are mixed with metric")
        if unit.mm >= larger.mm:
            self.refuse(amount.unit_start, f"{unit.name} cannot come after {larger.name}")
        if before.value.denominator != 1:
            self.refuse(
                before.start, f"only the last number may have a fraction, not the {larger.name} before it"
            )
        if before.value and amount.value * unit.mm >= larger.mm:
            self.refuse(
                amount.start, f"{amount.digits} {unit.name} is a full {larger.name} or more: carry it over"
            )

    def check_comma(self, amount: _Amount, unit: _Unit) -> None:
        """Refuse ``1,830 mm``: in English 1830, elsewhere 1.830. In metres only the decimal is a distance."""
        if unit is not _METRE and re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", amount.digits):
            self.refuse(amount.start, f"{amount.digits} {unit.name} could be thousands or a decimal")


def _positive(mm: float | Fraction) -> Fraction | None:
    """Return the exact length, None for infinity."""
    if isinstance(mm, float) and math.isinf(mm) and mm > 0:
        return None
    if not (isinstance(mm, Fraction) or math.isfinite(mm)) or mm <= 0:
        raise LengthError(f"{mm} mm is no length to write: it must be above 0.")
    return Fraction(mm)


def _whole_steps(mm: Fraction, *, step_mm: Fraction) -> int:
    """Round to whole steps, a tie up; nothing is not written as a length."""
    steps = math.floor(mm / step_mm + Fraction(1, 2))
    if steps == 0:
        raise LengthError(
            f"{float(mm)} mm is below half of the step of {float(step_mm)} mm: use a finer step."
        )
    return steps


def _places(step: Fraction) -> int:
    """Count the decimals that a decimal step needs."""
    return next(places for places in range(2000) if (step * 10**places).denominator == 1)


def _fixed(value: Fraction, *, places: int) -> str:
    """Write a value that has at most ``places`` decimals, with all of them."""
    whole, rest = divmod(int(value * 10**places), 10**places)
    return f"{whole}.{rest:0{places}d}" if places else f"{whole}"
