"""What a person types for a reading, to a length: the full figure, ``on``, or how far short or deep it is."""

import math
import re
from dataclasses import dataclass
from fractions import Fraction

from shimwise.bench.errors import InputError
from shimwise.errors import LengthError
from shimwise.files.limits import FARTHEST_MM
from shimwise.lengths import LengthTextError, mm_to_feet_text, parse_length

_ON = re.compile(r"on(?:\s+the\s+mark)?\.?", re.IGNORECASE)
_OFFSET = re.compile(r"(?P<way>short|deep)(?:\s+by)?\b\s*(?P<amount>.*)", re.IGNORECASE | re.DOTALL)
_DENOMINATORS = (1, 2, 4, 8, 16, 32, 64)


@dataclass(frozen=True, slots=True)
class TypedLength:
    """A length as typed (spaces tidied) and in mm, infinite allowed."""

    text: str
    mm: float


def typed_distance(text: str, *, field: str = "distance_text") -> TypedLength:
    """Read a taped distance.

    Raises
    ------
    InputError
        If it is no length, or farther than ten kilometres.
    """
    tidy = " ".join(text.split())
    if not tidy:
        raise InputError("nothing is typed yet: a length such as 3' or 914 mm, or INF.", field=field)
    return TypedLength(tidy, float(_length(tidy, typed=text, field=field)))


def typed_reading(text: str, *, distance: TypedLength) -> TypedLength:
    """Read the position of the ring: a length, ``on``, or ``short by 1/4"`` and ``deep by 5 mm``.

    Parameters
    ----------
    text : str
        As typed.
    distance : TypedLength
        The taped distance, from which an offset counts.

    Returns
    -------
    TypedLength
        ``text`` as typed, of an offset the full reading that means exactly the same.

    Raises
    ------
    InputError
        If it is no length, or an offset leads nowhere.
    """
    tidy, field = " ".join(text.split()), "reading_text"
    if not tidy:
        raise InputError(
            "nothing is typed yet: where the scale stands, such as 2' 11 1/2\" or on.", field=field
        )
    if _ON.fullmatch(tidy):
        return distance
    offset = _OFFSET.fullmatch(tidy)
    if offset is None:
        return TypedLength(tidy, float(_length(tidy, typed=text, field=field)))
    if math.isinf(distance.mm):
        raise InputError(
            "counts from infinity, from where nothing can be counted. Type where the ring stands.",
            field=field,
            typed=text,
        )
    amount = _length(offset["amount"], typed=text, field=field)
    if isinstance(amount, float):
        raise InputError("is off by infinity. Type INF if the ring stands there.", field=field, typed=text)
    taped = _length(distance.text, typed=distance.text, field=field)
    exact = Fraction(taped) - amount if offset["way"].casefold() == "short" else Fraction(taped) + amount
    if exact <= 0:
        raise InputError(
            f"is short by more than the {distance.text} that are taped. Check the unit.",
            field=field,
            typed=text,
        )
    return TypedLength(_exact_text(exact, is_metric=is_metric(offset["amount"])), float(exact))


def _length(text: str, *, typed: str, field: str) -> Fraction | float:
    try:
        mm = parse_length(text)
    except LengthTextError as error:
        place = f" at character {error.position + 1}" if text.strip() else ""
        raise InputError(f"is no length{place}: {error.reason}.", field=field, typed=typed) from error
    if math.isfinite(mm) and mm > FARTHEST_MM:
        raise InputError(
            f"is {float(mm) / 1e6:g} km; accepted is up to {FARTHEST_MM / 1e6:g} km, or INF for infinity.",
            field=field,
            typed=typed,
        )
    return mm


def is_metric(text: str) -> bool:
    """Return whether a length is written in a metric unit."""
    return bool(re.search(r"m\b|metre|meter|㎜|㎝", text, re.IGNORECASE))


def _exact_text(mm: Fraction, *, is_metric: bool) -> str:
    """Write a length so that it reads back as the same: in feet where that is exact, else in mm."""
    if not is_metric:
        for denominator in _DENOMINATORS:
            text = _feet_text(mm, denominator)
            if text and parse_length(text) == mm:
                return text
    return f"{float(mm):.12g} mm"


def _feet_text(mm: Fraction, denominator: int) -> str:
    try:
        return mm_to_feet_text(mm, denominator=denominator)
    except LengthError:
        return ""
