"""The steps of a guided adjustment, by mechanism: their order, what is asked, and what may be answered.

The order is common practice, no source; the maker's service instructions, the owner's rules and local safety
codes come first.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from shimwise.errors import RemedyError
from shimwise.remedy import procedure
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


class Response(StrEnum):
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
LOCK_ANSWERS = (Response.NO_LOCK, Response.WAS_FREE, Response.RELEASED, Response.STAYS_LOCKED)
MOST_TURNS = 20.0
STEP_WORDS = {
    Step.CONSENT: "Ask the owner, and write who gave consent: nothing is opened or unlocked without it.",
    Step.CLEAN: procedure.CLEAN,
    Step.PLACE: procedure.NOTE_PLACE,
    Step.SHIMS_MEASURED: "Take the mount off, measure the shims that are in, and write them down.",
    Step.LOCK_AFTER: "Set the lock, or leave it free on purpose; read once more: locking can shift it.",
    Step.FLAG: "Put tape or a flag on it that says: adjusted, to be checked again before it goes out.",
}
"""What is asked at the steps that are the same for all."""


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
        Net turns of a screw. [0 or more]
    turn : Turn or None
        Their sense, looking at the head of the screw.
    approach : Turn or None
        The sense in which the screw comes to rest.
    shims_in_um, shims_out_um : tuple of float
        Shims put in and taken out. [µm]

    Raises
    ------
    RemedyError
        When a number is impossible, or turns stand without their sense.
    """

    change_um: float | None = None
    change_sd_um: float | None = None
    turns: float | None = None
    turn: Turn | None = None
    approach: Turn | None = None
    shims_in_um: tuple[float, ...] = ()
    shims_out_um: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        numbers = (self.change_um, self.change_sd_um, self.turns, *self.shims_in_um, *self.shims_out_um)
        if not all(math.isfinite(number) for number in numbers if number is not None):
            raise RemedyError("A number of the move is not finite. Write how far it was moved.")
        if self.turns is not None and not 0 <= self.turns <= MOST_TURNS:
            raise RemedyError(
                f"{self.turns:g} turns cannot be: give 0 to {MOST_TURNS:g}, and the direction apart from it."
            )
        if self.turns and self.turn is None:
            raise RemedyError("The direction of the turns is missing. Say clockwise or anticlockwise.")
        if min((*self.shims_in_um, *self.shims_out_um), default=1.0) <= 0:
            raise RemedyError("A shim has a thickness above 0 µm. Measure it again.")

    def to_json(self) -> dict[str, Any]:
        """Plain JSON."""
        return {
            "change_um": self.change_um,
            "change_sd_um": self.change_sd_um,
            "turns": self.turns,
            "turn": str(self.turn) if self.turn else None,
            "approach": str(self.approach) if self.approach else None,
            "shims_in_um": list(self.shims_in_um),
            "shims_out_um": list(self.shims_out_um),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Move":
        """Read what :meth:`to_json` wrote."""
        return cls(
            change_um=_number(data["change_um"]),
            change_sd_um=_number(data["change_sd_um"]),
            turns=_number(data["turns"]),
            turn=Turn(data["turn"]) if data["turn"] else None,
            approach=Turn(data["approach"]) if data["approach"] else None,
            shims_in_um=tuple(float(shim) for shim in data["shims_in_um"]),
            shims_out_um=tuple(float(shim) for shim in data["shims_out_um"]),
        )


def answers_to(step: Step, guide: Guide) -> tuple[Response, ...]:
    """What a step may be answered with."""
    match step:
        case Step.LOCK:
            return LOCK_ANSWERS
        case Step.LOCK_AFTER:
            return (Response.SET, Response.LEFT_FREE)
        case Step.MOVE if guide is Guide.FIXED:
            return (Response.SENT_OUT,)
        case Step.MOVE if guide is Guide.LENS_SHIM:
            return (Response.DONE, Response.SENT_OUT)
        case _:
            return (Response.DONE,)


def words_of(step: Step, guide: Guide, move: Move) -> str:
    """What is asked of the technician at a step, in a sentence or two."""
    match step:
        case Step.LOCK:
            return procedure.look_at_lock(guide is not Guide.SCREW_WITHOUT_LOCK)
        case Step.MOVE:
            return _move_words(guide, move)
        case Step.MARK:
            return _mark_words(guide)
        case _:
            return STEP_WORDS[step]


def turns_words(turns: float, turn: Turn) -> str:
    """Turns in words: degrees, and the nearest eighth of a turn. [``turns`` 0 or more]

    >>> turns_words(0.22, Turn.CLOCKWISE)
    '79° clockwise (0.22 turn, a little less than a quarter turn)'
    """
    eighths = round(8 * turns)
    near = _eighths_words(eighths)
    apart_deg = 360 * (turns - eighths / 8)
    side = (
        ""
        if abs(apart_deg) < 2 or not eighths
        else "a little less than "
        if apart_deg < 0
        else "a little more than "
    )
    return f"{360 * turns:.0f}° {turn} ({turns:.2f} turn, {side}{near})"


def _eighths_words(eighths: int) -> str:
    whole, rest = divmod(eighths, 8)
    parts = {
        0: "",
        1: "an eighth",
        2: "a quarter",
        3: "three eighths",
        4: "half a",
        5: "five eighths",
        6: "three quarters",
        7: "seven eighths",
    }
    if whole == 0:
        if rest == 0:
            return "less than an eighth of a turn"
        return f"{parts[rest]} of a turn" if rest in (1, 3, 5, 6, 7) else f"{parts[rest]} turn"
    number = "one turn" if whole == 1 else f"{whole} turns"
    return number if rest == 0 else f"{number} and {parts[rest] if rest != 4 else 'a half'}"


def _move_words(guide: Guide, move: Move) -> str:
    match guide:
        case Guide.SCREW | Guide.SCREW_WITHOUT_LOCK:
            if move.turns is None or move.turn is None:
                return f"Turn the screw a little, and note how far and which way. {procedure.MOVE_SLOWLY}"
            approach = move.approach or move.turn
            onward = (
                f"Turn back {approach.opposite} by more than the play first, then come up {approach} to the "
                "new place without reversing."
            )
            return f"Turn the screw {turns_words(move.turns, move.turn)}. {onward} {procedure.MOVE_SLOWLY}"
        case Guide.SHIMMED_MOUNT:
            return f"{_shim_words(move)} Keep shims flat and clean, draw the screws up evenly."
        case Guide.LENS_SHIM:
            return f"{_shim_words(move)} This is a lens technician's work; else send the lens out."
        case Guide.FIXED:
            return "Send the body, with its readings and this verdict, to those the owner has authorised."


def _shim_words(move: Move) -> str:
    put_in, taken_out = (
        " + ".join(f"{shim:g}" for shim in shims) for shims in (move.shims_in_um, move.shims_out_um)
    )
    parts = [f"take out {taken_out} µm"] * bool(taken_out) + [f"put in {put_in} µm"] * bool(put_in)
    if not parts and move.change_um is not None:
        parts = [f"{'add' if move.change_um > 0 else 'take away'} {abs(move.change_um):.0f} µm of shim"]
    text = ", ".join(parts) or "change the stack, and note what goes in and what comes out"
    return f"{text[0].upper()}{text[1:]}."


def _mark_words(guide: Guide) -> str:
    if guide is Guide.LENS_SHIM:
        return "Mark the lens or its case with the date, the amount and the direction."
    lock = ", and whether the lock is set or free" if guide is Guide.SCREW else ""
    return f"Mark the outside of the body with the date, the amount and the direction{lock}."


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)
