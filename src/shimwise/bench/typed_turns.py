"""Turns of a screw as a person types them: with their sense, or as a place counted from 0."""

import re

from shimwise.bench.errors import InputError
from shimwise.remedy.adjustment_steps import MOST_TURNS
from shimwise.remedy.mechanism import Turn

_TURNS = re.compile(
    r"(?P<number>\d*[.,]?\d+)\s*(?P<unit>turns?|°|deg(?:rees?)?)?\s*"
    r"(?P<sense>anti-?clockwise|counter-?clockwise|clockwise|acw|ccw|cw)?\.?",
    re.IGNORECASE,
)


def read_turns(text: str, *, turn: Turn | None, field: str = "answer") -> tuple[float, Turn]:
    """Read turns and their sense: ``0.08 turn clockwise``, ``30° anticlockwise``, or a number alone.

    Raises
    ------
    InputError
        When it is none, or the sense is named neither here nor by the advice.
    """
    read = _turns_and_sense(text)
    if read is None:
        raise InputError(
            "is no turn. Write it as 0.08 turn clockwise, or 30° anticlockwise.", field=field, typed=text
        )
    turns, sense = read
    turn = sense or turn
    if turn is None:
        raise InputError("does not say which way. Add clockwise or anticlockwise.", field=field, typed=text)
    if not 0 < turns <= MOST_TURNS:
        raise InputError(
            f"is out of range; accepted is above 0 and up to {MOST_TURNS:g} turns.",
            field=field,
            typed=text,
        )
    return turns, turn


def read_screw_place(text: str, *, field: str) -> float:
    """Read where a screw is, from its 0 [turns, + clockwise]: ``0.10``, ``−0.05``, ``36° anticlockwise``.

    Raises
    ------
    InputError
        When it is none, has a sign and a sense, or lies beyond what a screw is turned.
    """
    plain = text.strip().replace("−", "-")
    bare = plain.removeprefix("-").removeprefix("+").lstrip()
    read = _turns_and_sense(bare)
    if read is None:
        raise InputError(
            "is no place of a screw. Write turns from its 0, + clockwise, as 0.10, or 36° clockwise.",
            field=field,
            typed=text,
        )
    turns, sense = read
    if sense is not None and bare != plain:
        raise InputError("says twice which way; leave the sign or the word out.", field=field, typed=text)
    if turns > MOST_TURNS:
        raise InputError(
            f"is out of range; accepted is up to {MOST_TURNS:g} turns either way.", field=field, typed=text
        )
    return -turns if plain.startswith("-") or sense is Turn.ANTICLOCKWISE else turns


def _turns_and_sense(text: str) -> tuple[float, Turn | None] | None:
    found = _TURNS.fullmatch(text.strip())
    if found is None:
        return None
    number = float(found["number"].replace(",", "."))
    is_degrees = (found["unit"] or "turn").lower().startswith(("°", "deg"))
    sense = (found["sense"] or "").lower()
    way = Turn.CLOCKWISE if sense in ("clockwise", "cw") else Turn.ANTICLOCKWISE
    return (number / 360.0 if is_degrees else number), way if sense else None
