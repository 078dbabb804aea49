"""How far a screw is to be turned: the whole way where the screw is known, else a small first move."""

from dataclasses import dataclass

from shimwise.inference.verdict.answer import Z95
from shimwise.notices import Notice
from shimwise.remedy.mechanism import Turn


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTurn:
    """How far to turn a screw, from what was entered of it and what its moves have shown.

    Attributes
    ----------
    turns, turns_sd : float
        Turns after the play is taken up [0 or more], and the standard uncertainty of those that make the
        wanted change exactly.
    turn : Turn
        Which way; a guess where ``is_sense_known`` is false.
    is_trial : bool
        Whether the screw is not known well enough for the whole way: a small first move to learn from.
    is_whole : bool
        Whether the turns are all of the way, or so near to it that they make no smaller first move.
    is_sense_known : bool
        Whether it is known which way is away from the flange.
    play_turns : float
        How much further the screw may turn before the sensor moves; 0 if it was last turned the same way.
    change_um, change_sd_um : float
        Change of the body's error that the turns are expected to make, + away from the flange. [µm]
    travel_low_um, travel_high_um : float
        95 % interval of the travel for a turn. [µm]
    moves : int
        From how many moves it was learned.
    """

    turns: float
    turns_sd: float
    turn: Turn
    is_trial: bool
    is_whole: bool
    is_sense_known: bool
    play_turns: float
    change_um: float
    change_sd_um: float
    travel_low_um: float
    travel_high_um: float
    moves: int


def planned_turn(planned: PlannedTurn) -> Notice:
    """Return the advice of a planned turn."""
    numbers: dict[str, float | str | None] = {
        "turn": planned.turn.value,
        "turns": planned.turns,
        "play_turns": planned.play_turns,
        "moves": float(planned.moves),
    }
    if not planned.is_trial:
        half = Z95 * planned.turns_sd
        ends = {"turns_low": max(0.0, planned.turns - half), "turns_high": planned.turns + half}
        return Notice("turn_planned", numbers={**numbers, **ends})
    return Notice(
        "turn_trial",
        numbers={
            **numbers,
            "travel_low_um": planned.travel_low_um,
            "travel_high_um": planned.travel_high_um,
            "is_whole": float(planned.is_whole),
            "is_sense_known": float(planned.is_sense_known),
        },
    )
