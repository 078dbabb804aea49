"""What is known of a body's screw: from what was entered of it, and from the readings around its moves."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.history.screw import (
    BACKLASH_SCALE_UM,
    MISFIT_SDS,
    TRAVEL_LOG_SD,
    TRAVEL_MEDIAN_UM,
    ScrewKnowledge,
    ScrewMove,
    learn,
    turns_for,
    unknown_screw,
)
from shimwise.inference.verdict.answer import BodyAnswer, ReadingAnswer
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


@dataclass(frozen=True, slots=True)
class SeenTravel:
    """Travel for a turn with its standard uncertainty, as the blur in frames along a screw shows it. [µm]"""

    um_per_turn: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """One move of a screw.

    ``turns``: + clockwise; ``is_after_play``: counted from where its play was taken up. ``change``: change of
    the error, None if no readings determine it. ``before`` and ``after``: the body's names around it, if it
    was made in a prep that is about to be judged. ``seen``: travel that frames along the screw showed.
    """

    turns: float
    is_after_play: bool = False
    change: UnitChange | None = None
    before: str = ""
    after: str = ""
    seen: SeenTravel | None = None


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
        for one in self.turned:
            if one.seen is not None:
                known = with_seen(known, one.seen)
        for move in self._moves():
            try:
                known = learn(known, [move])
            except InferenceError:
                continue  # the lock held, or the turns were written down wrong; the page shows the pair
        return known

    def sense_of(self, turns: float) -> Turn:
        """Return the sense of rotation of turns by their sign."""
        return Turn.CLOCKWISE if self.clockwise_is * turns > 0 else Turn.ANTICLOCKWISE

    def _moves(self) -> list[ScrewMove]:
        moves: list[ScrewMove] = []
        before: float | None = None
        for one in self.turned:
            changed = None if before is None else (one.turns > 0) != (before > 0)
            if one.is_after_play:
                changed = False
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


def plan_turn(history: ScrewHistory, body: BodyAnswer, readings: Iterable[ReadingAnswer] = ()) -> PlannedTurn:
    """Plan the turn that removes a body's error, by what its screw has shown up to this verdict.

    The play is kept apart: the turns count from where it is taken up.
    """
    known = history.with_readings(readings).known()
    advice = turns_for(
        known,
        -body.error_um,
        change_sd_um=body.sd_um,
        tolerance_um=body.tolerance_um,
        approach_changed=False,
    )
    low_um, high_um = known.um_per_turn_interval()
    pressed = history.pressed_from
    is_same_side = pressed is not None and pressed * history.clockwise_is * advice.turns > 0
    return PlannedTurn(
        turns=abs(advice.turns),
        turns_sd=advice.turns_sd,
        turn=history.sense_of(advice.turns),
        is_trial=advice.is_trial,
        is_whole=advice.is_whole,
        is_sense_known=known.is_sense_known,
        play_turns=0.0 if is_same_side else known.backlash_mean_um / known.um_per_turn,
        change_um=advice.travel.mean_um,
        change_sd_um=advice.travel.sd_um,
        travel_low_um=low_um,
        travel_high_um=high_um,
        moves=known.count,
    )


def with_seen(known: ScrewKnowledge, seen: SeenTravel) -> ScrewKnowledge:
    """Return the posterior with a travel that frames showed; they do not show which way is away.

    A travel that contradicts what is known is left out, as a move is that no screw explains.
    """
    sd_um = max(seen.sd_um, LEAST_TRAVEL_SHARE * seen.um_per_turn)
    apart_um = abs(known.um_per_turn - seen.um_per_turn)
    if apart_um > MISFIT_SDS * math.hypot(sd_um, known.um_per_turn_sd):
        return known
    weight = np.exp(-0.5 * ((known.travel_um - seen.um_per_turn) / sd_um) ** 2)
    return known.reweighted(known.share * weight)


def _entered(screw: Screw) -> ScrewKnowledge:
    """Return what was entered of a screw as a prior."""
    known = unknown_screw(p_sense=0.5 if screw.away is None else 1.0)
    share = known.share
    if screw.um_per_turn is not None:
        sd = screw.um_per_turn_sd or KNOWN_SHARE * screw.um_per_turn
        sd = max(sd, LEAST_TRAVEL_SHARE * screw.um_per_turn)
        log_prior = -0.5 * (np.log(known.travel_um / TRAVEL_MEDIAN_UM) / TRAVEL_LOG_SD) ** 2
        log_entered = -0.5 * ((known.travel_um - screw.um_per_turn) / sd) ** 2
        # What was entered replaces the prior of any screw. The grid's steps grow with the travel.
        share = share * known.travel_um * np.exp(log_entered - log_prior)
    if screw.backlash_um is not None:
        log_prior = -0.5 * (known.backlash_um / BACKLASH_SCALE_UM) ** 2
        log_entered = -0.5 * ((known.backlash_um - screw.backlash_um) / BACKLASH_SD_UM) ** 2
        share = share * np.exp(log_entered - log_prior)
    return known.reweighted(share) if float(share.sum()) > 0 else known
