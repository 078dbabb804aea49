"""The steps of a guided adjustment, by mechanism: their order, and what may be answered.

The order is common practice, no source; the maker's service instructions, the owner's rules and local safety
codes come first.
"""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from shimwise.errors import RemedyError
from shimwise.remedy.mechanism import Turn


class Guide(StrEnum):
    """What is adjusted, and how."""

    SCREW = "screw"
    SCREW_WITHOUT_LOCK = "screw without lock"
    SHIMMED_MOUNT = "shimmed mount"
    FIXED = "fixed"
    LENS_SHIM = "lens shim"


class Step(StrEnum):
    """One step of an adjustment."""

    CONSENT = "consent"
    CLEAN = "clean"
    LOCK = "lock"
    PLACE = "place"
    SHIMS_MEASURED = "shims measured"
    MOVE = "move"
    LOCK_AFTER = "lock after"
    MARK = "mark"
    FLAG = "flag"


class StepAnswer(StrEnum):
    """What a step may be answered with."""

    DONE = "done"
    NO_LOCK = "no lock"
    WAS_FREE = "was free"
    RELEASED = "released"
    STAYS_LOCKED = "stays locked"
    SET = "set"
    LEFT_FREE = "left free"
    SENT_OUT = "sent out"


BEFORE_MOVE: Mapping[Guide, tuple[Step, ...]] = {
    Guide.SCREW: (Step.CLEAN, Step.LOCK, Step.PLACE),
    Guide.SCREW_WITHOUT_LOCK: (Step.CLEAN, Step.LOCK, Step.PLACE),
    Guide.SHIMMED_MOUNT: (Step.CONSENT, Step.CLEAN, Step.SHIMS_MEASURED),
    Guide.FIXED: (Step.CONSENT, Step.CLEAN),
    Guide.LENS_SHIM: (Step.CONSENT, Step.CLEAN, Step.SHIMS_MEASURED),
}
"""Steps before the move. A body that its owner wants asked about has CONSENT before them all."""
AFTER_MOVE: Mapping[Guide, tuple[Step, ...]] = {
    Guide.SCREW: (Step.LOCK_AFTER, Step.MARK, Step.FLAG),
    Guide.SCREW_WITHOUT_LOCK: (Step.MARK, Step.FLAG),
    Guide.SHIMMED_MOUNT: (Step.MARK, Step.FLAG),
    Guide.FIXED: (Step.MARK, Step.FLAG),
    Guide.LENS_SHIM: (Step.MARK, Step.FLAG),
}
LOCK_ANSWERS = (StepAnswer.NO_LOCK, StepAnswer.WAS_FREE, StepAnswer.RELEASED, StepAnswer.STAYS_LOCKED)
MOST_TURNS = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A move, wanted or made.

    Attributes
    ----------
    change_um : float or None
        Change of the unit's error that it is to make. [µm, + away from the flange, or thicker]
    change_sd_um : float or None
        Standard uncertainty of that. [µm]
    turns : float or None
        Turns of a screw, from where it was, or from where its play is taken up. [0 or more]
    turn : Turn or None
        Their sense, looking at the head of the screw.
    is_after_play : bool
        Whether the turns count from where the play is taken up.
    play_turns : float
        How much further the screw may turn before the sensor moves. [0 or more]
    approach : Turn or None
        The sense in which the screw comes to rest.
    shims_in_um, shims_out_um : tuple of float
        Shims put in and taken out. [µm]
    seen_um_per_turn, seen_um_per_turn_sd : float or None
        Travel of the screw for a turn as frames along it showed, with its standard uncertainty. [µm]

    Raises
    ------
    RemedyError
        If a number is impossible, or turns have no sense.
    """

    change_um: float | None = None
    change_sd_um: float | None = None
    turns: float | None = None
    turn: Turn | None = None
    is_after_play: bool = False
    play_turns: float = 0.0
    approach: Turn | None = None
    shims_in_um: tuple[float, ...] = ()
    shims_out_um: tuple[float, ...] = ()
    seen_um_per_turn: float | None = None
    seen_um_per_turn_sd: float | None = None

    def __post_init__(self) -> None:
        numbers = (self.change_um, self.change_sd_um, self.turns, *self.shims_in_um, *self.shims_out_um)
        if not all(math.isfinite(number) for number in numbers if number is not None):
            raise RemedyError("A number of the move is not finite. Write how far it was moved.")
        if self.turns is not None and not 0 <= self.turns <= MOST_TURNS:
            raise RemedyError(
                f"{self.turns:g} turns cannot be: give 0 to {MOST_TURNS:g}, and the direction apart from it."
            )
        if self.turns and self.turn is None:
            raise RemedyError("The direction of the turns is missing. Write clockwise or anticlockwise.")
        if min((*self.shims_in_um, *self.shims_out_um), default=1.0) <= 0:
            raise RemedyError("A shim has a thickness above 0 µm. Measure it again.")

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON."""
        return {key: list(one) if isinstance(one, tuple) else one for key, one in asdict(self).items()}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Move":
        """Read what :meth:`to_json` wrote."""
        values: dict[str, Any] = {
            key: None if data.get(key) is None else float(data[key])
            for key in ("change_um", "change_sd_um", "turns", "seen_um_per_turn", "seen_um_per_turn_sd")
        }
        values |= {key: Turn(data[key]) if data[key] else None for key in ("turn", "approach")}
        values |= {"is_after_play": bool(data.get("is_after_play"))}
        values |= {"play_turns": float(data.get("play_turns") or 0.0)}
        values |= {key: tuple(map(float, data[key])) for key in ("shims_in_um", "shims_out_um")}
        return cls(**values)


def answers_to(step: Step, guide: Guide) -> tuple[StepAnswer, ...]:
    """Return what a step may be answered with."""
    match step:
        case Step.LOCK:
            return LOCK_ANSWERS
        case Step.LOCK_AFTER:
            return (StepAnswer.SET, StepAnswer.LEFT_FREE)
        case Step.MOVE if guide is Guide.FIXED:
            return (StepAnswer.SENT_OUT,)
        case Step.MOVE if guide is Guide.LENS_SHIM:
            return (StepAnswer.DONE, StepAnswer.SENT_OUT)
        case _:
            return (StepAnswer.DONE,)
