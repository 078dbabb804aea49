"""What moved between the frames of a sweep, as a person states it, to the position of each frame."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shimwise.bench.errors import InputError
from shimwise.bench.typed_turns import read_screw_place
from shimwise.files.csv_fields import to_distance_mm
from shimwise.files.errors import CellError

MOVED = {"sensor": "position_um", "ring": "ring", "chart": "distance", "screw": "turns"}
"""What can move -> the name of its position in the description."""
_LENGTHS = ("ring", "chart")
_DECIMALS = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """What moved between the frames: a first position and a step, or the positions of all frames.

    Of the sensor in µm, + away from the lens; of a screw in turns, + clockwise, or ``36° clockwise``;
    of ring and chart lengths, a bare number being mm.
    """

    moved: str
    first: str = ""
    step: str = ""
    at: Sequence[str] = ()


def positions_of(moves: Moves, count: int) -> list[float]:
    """Return the position of each of ``count`` frames, as the description counts it.

    Raises
    ------
    InputError
        With the field that cannot be: ``moved``, ``first``, ``step`` or ``at``.
    """
    if moves.moved not in MOVED:
        raise InputError(f"is nothing that moves; give {', '.join(MOVED)}.", field="moved", typed=moves.moved)
    is_length = moves.moved in _LENGTHS
    if moves.at:
        if moves.first or moves.step:
            raise InputError("names all positions; leave first and step out.", field="at")
        if len(moves.at) != count:
            raise InputError(f"has {len(moves.at)} positions, and there are {count} pictures.", field="at")
        return [_place("at", text, moved=moves.moved) for text in moves.at]
    for field, text in (("first", moves.first), ("step", moves.step)):
        if not text.strip():
            raise InputError(
                "is empty; give the first position and the step, such as -60 and 10.", field=field
            )
    first = _place("first", moves.first, moved=moves.moved)
    step = _signed("step", moves.step, moved=moves.moved)
    if step == 0:
        raise InputError("is 0: the frames would all lie at one place.", field="step", typed=moves.step)
    positions = [round(first + number * step, _DECIMALS) for number in range(count)]
    if is_length and min(positions) <= 0:
        raise InputError(
            f"is too large: the last of {count} frames would lie at {positions[-1]:g} mm.",
            field="step",
            typed=moves.step,
        )
    return positions


def _place(field: str, text: str, *, moved: str) -> float:
    value = _signed(field, text, moved=moved)
    if moved in _LENGTHS and value <= 0:
        raise InputError("is no distance above 0.", field=field, typed=text)
    return value


def _signed(field: str, text: str, *, moved: str) -> float:
    """Read a number, turns, or a length in mm, of either sign; only one of all positions may be infinite."""
    if moved == "screw":
        return read_screw_place(text, field=field)
    plain = text.strip().replace("−", "-")
    sign, bare = (-1.0, plain[1:]) if plain.startswith("-") else (1.0, plain.removeprefix("+"))
    is_length = moved in _LENGTHS
    try:
        value = sign * (to_distance_mm(bare, unit="mm") if is_length else float(bare.replace(",", ".")))
    except CellError as error:
        raise InputError(str(error), field=field, typed=text) from error
    except ValueError:
        value = math.nan
    if math.isnan(value):
        raise InputError("is no number; write one as -60 or 0.05.", field=field, typed=text)
    if math.isinf(value) and not (is_length and field == "at"):
        raise InputError(
            "is infinite: nothing can be counted from there or by that.", field=field, typed=text
        )
    return value
