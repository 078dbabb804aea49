"""A guided adjustment as pages, the interface and the command line show it: plain frozen values.

Microns at the sensor; changes are + away from the flange (or thicker shims). Turns are + clockwise, seen
looking at the head of the screw. UTC times.
"""

from dataclasses import dataclass
from datetime import datetime

from shimwise.remedy.adjustment_steps import StepAnswer


@dataclass(frozen=True, slots=True, kw_only=True)
class StepQuestion:
    """What has to be written with one of a step's choices: ``field`` is ``consent`` or ``note``."""

    choice: str
    field: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepView:
    """One step. ``kind`` of answer: confirm, choice, turns, shims, change or text.

    ``is_now``: it is the one to be answered. ``answer`` is empty until then. ``questions``: what has to be
    written with one of its choices.
    """

    id: str
    number: int
    text: str
    kind: str
    choices: tuple[str, ...]
    questions: tuple[StepQuestion, ...]
    is_now: bool
    is_done: bool
    answer: str
    note: str
    who: str
    at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveView:
    """How far to move. Of a screw ``turns`` to ``turn``; of a mount the shims that go in and come out.

    ``is_trial``: the screw is not known well enough yet, this is a first move to learn from. ``peak``: where
    the picture was found sharpest along the screw, in words; ``turns`` then lead there.
    """

    amount_um: float
    amount_sd_um: float
    words: str
    turns: float | None = None
    turns_sd: float | None = None
    degrees: float | None = None
    turn: str = ""
    approach: str = ""
    is_trial: bool = False
    peak: str = ""
    put_in_um: tuple[float, ...] = ()
    taken_out_um: tuple[float, ...] = ()
    leftover_um: float | None = None
    order: tuple[tuple[float, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewView:
    """What is known of a body's screw, from what was typed of it and from its moves. [µm]"""

    um_per_turn: float
    um_per_turn_low: float
    um_per_turn_high: float
    backlash_um: float
    backlash_sd_um: float
    p_sense: float
    away: str
    move_count: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewSweepView:
    """A sweep along the body's screw that was kept in the prep since the adjustment was begun.

    ``words``: where it is sharpest along the screw, or that it shows no peak.
    """

    id: str
    lens: str
    setup: str
    words: str
    taken_by: str
    taken_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustmentView:
    """An adjustment being made, finished or given up: ``state`` is ``begun``, ``finished`` or ``given up``.

    ``taken_back``: what was taken back of it, in words, oldest first. ``screw_sweeps``: while a screw is to
    be turned, sweeps along it, those with a peak first, of either kind the newest first.
    """

    id: str
    prep_id: str
    unit_kind: str
    unit_id: str
    unit: str
    mechanism: str
    mechanism_words: str
    state: str
    begun_at: datetime
    begun_by: str
    steps: tuple[StepView, ...]
    move: MoveView
    screw: ScrewView | None
    cautions: tuple[str, ...]
    taken_back: tuple[str, ...]
    amount_um: float | None = None
    amount_sd_um: float | None = None
    turns: float | None = None
    screw_sweeps: tuple[ScrewSweepView, ...] = ()

    @property
    def now(self) -> StepView | None:
        """The step to be answered; None when all are."""
        return next((step for step in self.steps if step.is_now), None)

    @property
    def stays_locked(self) -> bool:
        """Whether the lock was not released, so that nothing is moved."""
        return any(step.answer == StepAnswer.STAYS_LOCKED for step in self.steps)
