"""A turn of a screw in words: the whole way where the screw is known, else a small first move."""

from dataclasses import dataclass

from shimwise.inference.verdict.answer import Z95
from shimwise.remedy.mechanism import Screw, Turn

__all__ = ["TEST_TURN_DEG", "PlannedTurn", "planned_words", "trial_words", "turns_text"]

TEST_TURN_DEG = 15.0
"""A first move of a screw whose travel is not known: small beside a turn (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTurn:
    """How far a screw is to be turned by what is known of it, from what was written and what it has shown.

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


def planned_words(planned: PlannedTurn) -> str:
    """Say how far to turn by what the screw has shown, and what that rests on."""
    moved = f"{planned.moves} move{'s' if planned.moves != 1 else ''}"
    source = f"what {moved} of it showed" if planned.moves else "what is written of its screw"
    if not planned.is_trial:
        turned = turns_text(planned.turns, planned.turns_sd)
        return f"Check the lock, then turn the screw {planned.turn} by {turned}; that rests on {source}."
    travel = f"{planned.travel_low_um:.0f} to {planned.travel_high_um:.0f} µm a turn"
    known = f"By {source} it does {travel} (95 %)" if planned.moves else f"It may do {travel} (95 %)"
    lesson = ""
    if not planned.is_sense_known:
        lesson = "Which way is away is not known: if the landings go deeper, it went away from the flange. "
    return (
        f"{known}, not known well enough for the whole way: check the lock, turn the screw {planned.turn} by "
        f"{planned.turns:.2f} turn, {360 * planned.turns:.0f}°, as a small first move, and read again. "
        f"{lesson}The rest is reckoned from what it did."
    )


def trial_words(screw: Screw, turns: float | None, turns_sd: float | None, turn: Turn | None) -> str:
    """Word a small test of a screw whose travel, sense or both are not known, and that has shown nothing."""
    way = f" {turn}" if turn is not None else " one way"
    needed, test_deg = "", TEST_TURN_DEG
    if turns is not None and turns_sd is not None:
        needed, test_deg = f"That is {turns_text(turns, turns_sd)}. ", min(TEST_TURN_DEG, 360 * turns)
    unknown = [
        what
        for what, value in (
            ("how far one turn moves it", screw.um_per_turn),
            ("which way is away", screw.away),
        )
        if value is None
    ]
    lesson = "If the landings go deeper, the sensor went away from the flange. " if turn is None else ""
    return (
        f"{needed}It is not known {' and '.join(unknown)}: check the lock, turn the screw "
        f"{test_deg:.0f}°{way} as a test and read again. {lesson}Write what was learned in the kit file, "
        "and reckon the rest from it."
    )


def turns_text(turns: float, turns_sd: float) -> str:
    """Write turns and degrees with their 95 % interval. [``turns`` 0 or more]"""
    low_deg, high_deg = (360 * max(turns + side * Z95 * turns_sd, 0.0) for side in (-1, 1))
    return f"{turns:.2f} turn, {360 * turns:.0f}° (95 %: {low_deg:.0f}° to {high_deg:.0f}°)"
