"""A turn of a screw as facts: the whole way where the screw is known, else a small first move."""

from dataclasses import dataclass

from shimwise.inference.verdict.answer import Z95
from shimwise.notices import Notice
from shimwise.remedy.mechanism import Screw, Turn

TEST_TURNS = 15 / 360
"""A first move of a screw whose travel is not known: 15° (common practice, no source). [turns]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTurn:
    """How far to turn a screw, from what was entered of it and what its moves have shown.

    Attributes
    ----------
    turns, turns_sd : float
        Turns [0 or more], and the standard uncertainty of those that make the wanted change exactly.
    turn : Turn
        Which way; a guess where ``is_sense_known`` is false.
    is_trial : bool
        Whether the screw is not known well enough for the whole way: a small first move to learn from.
    travel_low_um, travel_high_um : float
        95 % interval of the travel for a turn. [µm]
    moves : int
        From how many moves it was learned.
    """

    turns: float
    turns_sd: float
    turn: Turn
    is_trial: bool
    is_sense_known: bool
    travel_low_um: float
    travel_high_um: float
    moves: int


def planned_turn(planned: PlannedTurn) -> Notice:
    """Return the advice of a screw that was turned before, or whose travel was entered."""
    if not planned.is_trial:
        numbers = {**_interval(planned.turns, planned.turns_sd), "moves": float(planned.moves)}
        return Notice("turn_planned", numbers={"turn": planned.turn.value, **numbers})
    return Notice(
        "turn_trial",
        numbers={
            "turn": planned.turn.value,
            "turns": planned.turns,
            "travel_low_um": planned.travel_low_um,
            "travel_high_um": planned.travel_high_um,
            "moves": float(planned.moves),
            "is_sense_known": float(planned.is_sense_known),
        },
    )


def known_turn(turns: float, turns_sd: float, turn: Turn) -> Notice:
    """Return the advice of a screw whose travel and sense are known, without a plan."""
    return Notice("turn_known", numbers={"turn": turn.value, **_interval(turns, turns_sd)})


def trial_turn(screw: Screw, turns: float | None, turns_sd: float | None, turn: Turn | None) -> Notice:
    """Return the advice of a small test of a screw whose travel, sense or both are not known."""
    needed: dict[str, float | str | None] = {"turns": None}
    test_turns = TEST_TURNS
    if turns is not None and turns_sd is not None:
        needed, test_turns = {**_interval(turns, turns_sd)}, min(TEST_TURNS, turns)
    return Notice(
        "turn_test",
        numbers={
            **needed,
            "test_turns": test_turns,
            "turn": None if turn is None else turn.value,
            "is_travel_known": float(screw.um_per_turn is not None),
            "is_sense_known": float(screw.away is not None),
        },
    )


def _interval(turns: float, turns_sd: float) -> dict[str, float]:
    """Return turns with the ends of their 95 % interval, none below 0."""
    low, high = (max(turns + side * Z95 * turns_sd, 0.0) for side in (-1, 1))
    return {"turns": turns, "turns_low": low, "turns_high": high}
