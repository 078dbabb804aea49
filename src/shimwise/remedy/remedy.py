"""What a remedy is: the plain values that the advice returns."""

from dataclasses import dataclass
from enum import StrEnum

from shimwise.notices import Notice
from shimwise.remedy.mechanism import Turn


class RemedyKind(StrEnum):
    """What a remedy is for."""

    BODY = "body"
    LENS = "lens"
    SCALE = "scale"
    SETUP = "setup"


class Action(StrEnum):
    """What is to be done."""

    MOVE_SENSOR = "move sensor"
    SHIM_MOUNT = "shim mount"
    SHIM_LENS = "shim lens"
    RE_TAPE = "re-tape"
    SEND_OUT = "send out"


class Direction(StrEnum):
    """Which way: of a sensor, of a shim stack, or of a chart."""

    AWAY = "away from the flange"
    TOWARD = "toward the flange"
    ADD = "add"
    TAKE_AWAY = "take away"
    NEARER = "nearer"
    FARTHER = "farther"


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """What to do about one unit.

    Attributes
    ----------
    unit, kind, action, direction
        Whose remedy, of what kind, what is done, and which way. ``direction`` is None for a scale.
    amount_um, amount_sd_um : float or None
        How far, without sign, and its standard uncertainty. [µm] None for a scale. Of a set-up: how far the
        chart has to move.
    advice : tuple of Notice
        The finding with its 95 % interval and what to do, a sentence each.
    turns, turns_sd : float or None
        Turns of the screw after its play is taken up, and their standard uncertainty; None without a screw,
        the uncertainty also for a first move to learn from.
    turn : Turn or None
        The sense of rotation.
    play_turns : float or None
        How much further the screw may turn before the sensor moves.
    shims_um : tuple of float
        Shims of the stock that make up the amount, thickest first. [µm]
    leftover_um : float or None
        Amount minus the sum of the shims [µm]; None without a stock.
    steps, cautions : tuple of Notice
        The interlocks in their order, and what to be careful of.
    """

    unit: str
    kind: RemedyKind
    action: Action
    direction: Direction | None = None
    amount_um: float | None = None
    amount_sd_um: float | None = None
    advice: tuple[Notice, ...]
    steps: tuple[Notice, ...]
    cautions: tuple[Notice, ...]
    turns: float | None = None
    turns_sd: float | None = None
    turn: Turn | None = None
    play_turns: float | None = None
    shims_um: tuple[float, ...] = ()
    leftover_um: float | None = None
