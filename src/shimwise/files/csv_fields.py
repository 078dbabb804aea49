"""One cell of a readings file to its value; what it refuses, it refuses with what is accepted."""

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import NamedTuple, TypeVar

from shimwise.files.errors import CellError, shown
from shimwise.files.limits import (
    ERROR_UM,
    FARTHEST_MM,
    FNUMBER,
    FOCAL_MM,
    SEPARATION_MM,
    SQUEEZE,
    TEMPERATURE_C,
    WRITTEN_SD_UM,
    NumberRange,
)
from shimwise.files.names import cleaned_name
from shimwise.inference.model.prep import Axis, FocusDesign
from shimwise.lengths import ACCEPTED_FORMS, LengthTextError, length_to_mm

T = TypeVar("T")

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_AXES = {axis.value: axis for axis in Axis} | {axis.value[0]: axis for axis in Axis}
DESIGNS = {design.value: design for design in FocusDesign} | {
    design.value.removesuffix(" focus"): design for design in FocusDesign
}


def to_number(text: str, limits: NumberRange, *, example: str, decimal_comma: bool) -> float:
    """Read a number within limits; a decimal comma only where the fields are not parted by commas."""
    plain = text.strip()
    if limits.unit and plain.casefold().endswith(limits.unit):
        plain = plain[: -len(limits.unit)].rstrip()
    if decimal_comma and "." not in plain:
        plain = plain.replace(",", ".", 1)
    if not plain:
        raise CellError(f"is empty; {_accepted(limits, example)}.")
    if not _NUMBER.fullmatch(plain):
        hint = "" if decimal_comma or "," not in plain else ". A decimal comma needs ; between the fields"
        raise CellError(f"is no number; {_accepted(limits, example)}{hint}.")
    return within(float(plain), limits, example=example)


@contextmanager
def of_column(column: str, text: str) -> Iterator[None]:
    """Put the column, and the text that was found there, into a CellError that has neither."""
    try:
        yield
    except CellError as error:
        message = f"[{shown(text)}] {error}" if text.strip() else str(error)
        raise CellError(message, column=column, found=text) from error


def within(value: float, limits: NumberRange, *, example: str) -> float:
    """Return a number; raise CellError if it lies outside its limits."""
    if not limits.hold(value):
        raise CellError(f"is out of range; {_accepted(limits, example)}.")
    return value


def _accepted(limits: NumberRange, example: str) -> str:
    return f"accepted is a number {limits.text}, such as {example}"


def to_focal_mm(text: str, *, decimal_comma: bool) -> float:
    """Read a focal length, as ``50`` or ``50 mm`` [mm]."""
    return to_number(text, FOCAL_MM, example="50", decimal_comma=decimal_comma)


def to_fnumber(text: str, *, decimal_comma: bool) -> float:
    """Read an f-number, as ``2.8`` or ``f/2.8``; a T-stop is refused, since it does not fix the blur."""
    plain = text.strip().casefold()
    if plain.startswith("t"):
        raise CellError(
            "is a T-stop, which tells nothing of the blur; write the f-number here, such as 2.8, "
            "and the T-stop in the column stop."
        )
    plain = plain.removeprefix("f").removeprefix("/")
    return to_number(plain, FNUMBER, example="2.8", decimal_comma=decimal_comma)


def _if_written(
    text: str, limits: NumberRange, *, example: str, decimal_comma: bool, signs: tuple[str, ...] = ()
) -> float | None:
    plain = text.strip()
    if not plain:
        return None
    for sign in signs:
        plain = plain.removesuffix(sign)
    return to_number(plain, limits, example=example, decimal_comma=decimal_comma)


def to_squeeze(text: str, *, decimal_comma: bool) -> float | None:
    """Read the squeeze of an anamorphic, as ``2`` or ``1.8x``; None where nothing is written."""
    return _if_written(text.casefold(), SQUEEZE, example="2", decimal_comma=decimal_comma, signs=("x", "×"))


to_separation_mm = partial(_if_written, limits=SEPARATION_MM, example="12.5")
"""Read the separation of the principal planes [mm, may be negative]; None where nothing is written."""
to_temperature_c = partial(_if_written, limits=TEMPERATURE_C, example="21", signs=("C", "°"))
"""Read the temperature at a reading [°C]; None where nothing is written."""
to_landing_um = partial(_if_written, limits=ERROR_UM, example="-6.5")
"""Read a landing by picture [µm, short < 0 < deep]; None where nothing is written."""
to_landing_sd_um = partial(_if_written, limits=WRITTEN_SD_UM, example="0.5")
"""Read the standard uncertainty of a landing by picture [µm]; None where nothing is written."""


class WrittenLength(NamedTuple):
    """A length and how it was written, spaces tidied, with the unit that its column gives it. [mm]"""

    mm: float
    text: str


def to_length(text: str, *, unit: str | None = None) -> WrittenLength:
    """Read a length as a technician writes it; ``unit`` is that of a bare number. [mm, infinite for INF]"""
    mm, tidy = to_distance_mm(text, unit=unit), " ".join(text.split())
    try:
        length_to_mm(tidy)
    except LengthTextError:  # without its column it would be a bare number
        return WrittenLength(mm, f"{tidy} {unit}")
    return WrittenLength(mm, tidy)


def to_distance_mm(text: str, *, unit: str | None = None) -> float:
    """Read a distance as a technician writes it, with its unit or in ``unit`` [mm]; infinite for ``INF``."""
    try:
        mm = length_to_mm(text, default_unit=unit)
    except LengthTextError as error:
        place = f" at character {error.position + 1}" if text.strip() else ""
        raise CellError(f"is no length{place}: {error.reason}. Accepted are {ACCEPTED_FORMS}.") from error
    if math.isfinite(mm) and mm > FARTHEST_MM:
        raise CellError(
            f"is {mm / 1e6:g} km; accepted is up to {FARTHEST_MM / 1e6:g} km, or INF for infinity."
        )
    return mm


def to_required_name(text: str) -> str:
    """Read a name that has to be there.

    Raises
    ------
    CellError
        If nothing is named, or the name is refused.
    """
    name = cleaned_name(text)
    if not name:
        raise CellError("is empty; every reading names its body and its lens.")
    return name


def to_axis(text: str) -> Axis | None:
    """Read the axis judged: vertical, horizontal, v or h; None where nothing is written."""
    return _one_of(text, _AXES, "vertical, horizontal, v, h or nothing")


def to_focus_design(text: str) -> FocusDesign | None:
    """Read the focus design: unit focus, internal focus, unit or internal; None where nothing is written."""
    return _one_of(text, DESIGNS, "unit focus, internal focus, unit, internal or nothing")


def _one_of(text: str, words: dict[str, T], accepted: str) -> T | None:
    plain = " ".join(text.casefold().replace("_", " ").replace("-", " ").split())
    if not plain:
        return None
    if plain not in words:
        raise CellError(f"is not known; accepted is {accepted}.")
    return words[plain]
