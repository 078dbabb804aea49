"""What is known of a body's screw: from what was entered of it, and from the readings around its moves."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.history.screw import (
    ScrewKnowledge,
    ScrewMove,
    TurnAdvice,
    learn,
    turns_for,
    unknown_screw,
)
from shimwise.inference.verdict.answer import Answer, ReadingAnswer, Verdict
from shimwise.inference.verdict.unit_change import UnitChange, change_between
from shimwise.remedy.mechanism import Screw, Turn
from shimwise.remedy.turning import PlannedTurn

PAIR_SD_UM = 1.0
"""Least uncertainty of a change between two epochs: tapes and seats move a little too. [µm] Chosen by us."""
BACKLASH_SD_UM = 1.0
"""Standard uncertainty of a play that was entered: a step of its grid. [µm]"""
KNOWN_SHARE = 0.1
"""Relative sd of a travel that was entered without its uncertainty. Chosen by us."""
LEAST_TRAVEL_SHARE = 0.01
"""Least relative sd of the travel: the step of its grid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """One move of a screw.

    ``turns``: + clockwise. ``change``: change of the error, None if no readings determine it. ``before`` and
    ``after``: the body's names around it, if it was made in a prep that is about to be judged.
    """

    turns: float
    change: UnitChange | None = None
    before: str = ""
    after: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewHistory:
    """What was entered of a screw, and its moves, oldest first: plain values that go to the judge."""

    screw: Screw
    turned: tuple[Turned, ...] = ()

    @property
    def clockwise_is(self) -> float:
        """Sign by which clockwise turns count as away from the flange; +1 while the sense is not known."""
        return -1.0 if self.screw.away is Turn.ANTICLOCKWISE else 1.0

    @property
    def pressed_from(self) -> float | None:
        """Sign of the last turn, + clockwise; None if it was never turned here."""
        return math.copysign(1.0, self.turned[-1].turns) if self.turned else None

    def with_readings(self, readings: Iterable[ReadingAnswer]) -> "ScrewHistory":
        """Return the history with the changes that a verdict's readings determine for its own moves."""
        taken = tuple(readings)
        return replace(
            self,
            turned=tuple(
                replace(one, change=change_between(taken, kind="body", before=one.before, after=one.after))
                if one.before
                else one
                for one in self.turned
            ),
        )

    def known(self) -> ScrewKnowledge:
        """Return the posterior of the screw; a move that no screw explains is left out."""
        known = _entered(self.screw)
        for move in self._moves():
            try:
                known = learn(known, [move])
            except InferenceError:
                continue  # the lock held, or the turns were written down wrong; the page shows the pair
        return known

    def advice(
        self, known: ScrewKnowledge, *, error_um: float, error_sd_um: float, tolerance_um: float
    ) -> TurnAdvice:
        """Return how far to turn to remove an error; + turns are in the sense taken to be away."""
        pressed = self.pressed_from
        away = self.clockwise_is * (1.0 if known.p_sense >= 0.5 else -1.0)
        wanted = math.copysign(away, -error_um * away)
        return turns_for(
            known,
            -error_um,
            change_sd_um=error_sd_um,
            tolerance_um=tolerance_um,
            approach_changed=None if pressed is None else pressed * wanted < 0,
        )

    def sense_of(self, turns: float) -> Turn:
        """Return the sense of rotation of turns by their sign."""
        return Turn.CLOCKWISE if self.clockwise_is * turns > 0 else Turn.ANTICLOCKWISE

    def _moves(self) -> list[ScrewMove]:
        moves: list[ScrewMove] = []
        before: float | None = None
        for one in self.turned:
            changed = None if before is None else (one.turns > 0) != (before > 0)
            before = one.turns
            if one.change is not None:
                moves.append(
                    ScrewMove.of_change(
                        turns=self.clockwise_is * one.turns,
                        approach_changed=changed,
                        change_um=one.change.mean_um,
                        change_sd_um=math.hypot(one.change.sd_um, PAIR_SD_UM),
                    )
                )
        return moves


def planned_turns(screws: Mapping[str, ScrewHistory], answer: Answer) -> dict[str, PlannedTurn]:
    """Plan the turn of every body that is out, by what its screw has shown up to this verdict."""
    planned = {}
    for body in answer.bodies:
        history = screws.get(body.name)
        if history is None or body.verdict not in (Verdict.OUT_SHORT, Verdict.OUT_DEEP):
            continue
        known = history.with_readings(answer.readings).known()
        advice = history.advice(
            known, error_um=body.error_um, error_sd_um=body.sd_um, tolerance_um=body.tolerance_um
        )
        low_um, high_um = known.um_per_turn_interval()
        planned[body.name] = PlannedTurn(
            turns=abs(advice.turns),
            turns_sd=advice.turns_sd,
            turn=history.sense_of(advice.turns),
            is_trial=advice.is_trial,
            is_sense_known=known.is_sense_known,
            travel_low_um=low_um,
            travel_high_um=high_um,
            moves=known.count,
        )
    return planned


def _entered(screw: Screw) -> ScrewKnowledge:
    """Return what was entered of a screw as a prior."""
    known = unknown_screw(p_sense=0.5 if screw.away is None else 1.0)
    share = known.share
    if screw.um_per_turn is not None:
        sd = screw.um_per_turn_sd or KNOWN_SHARE * screw.um_per_turn
        sd = max(sd, LEAST_TRAVEL_SHARE * screw.um_per_turn)
        share = share * np.exp(-0.5 * ((known.travel_um - screw.um_per_turn) / sd) ** 2)
    if screw.backlash_um is not None:
        share = share * np.exp(-0.5 * ((known.backlash_um - screw.backlash_um) / BACKLASH_SD_UM) ** 2)
    return known.reweighted(share) if float(share.sum()) > 0 else known
