"""A body's screw: travel for a turn, play and sense, learned from earlier moves.

A move of t turns changes the body's error by p·t if the screw keeps pressing from the same side, and by p·t
less the play b if it changes sides. Before any move p, b and the sense have a wide prior; each pair of the
body's error before and after a move narrows it. The posterior is computed on a grid, exactly: three unknowns
are few, and it has two modes while the sense is not known.

Signs: + is away from the flange, for changes [µm]; turns are + in the sense that is taken to move it away.

References
----------
.. [1] C. M. Bishop, *Pattern Recognition and Machine Learning* (2006), section 1.2.3 (posterior on a grid of
   hypotheses; cited from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import InferenceError
from shimwise.inference.model.checks import refuse_unless_finite
from shimwise.inference.posterior.mixtures import quantile

TRAVEL_MEDIAN_UM, TRAVEL_LOG_SD = 245.0, 0.55
"""Prior of the travel for a turn, log-normal: 95 % between 83 and 720 µm. Common practice is 100 to 600 µm a
turn, from fine to coarse adjusting screws; no source."""
BACKLASH_SCALE_UM = 5.0
"""Prior of the play, half-normal: 95 % below 10 µm. [µm] Common practice, no source."""
SETTLING_SD_UM = 1.0
"""How far a sensor comes to rest from where the screw should put it. [µm] Chosen by us."""
ANGLE_SD_TURNS = 0.004
"""How well an angle is turned and read off a screw's head: 1.5°. [turns] Common practice, no source."""
TRAVEL_GRID_UM = np.geomspace(25.0, 2400.0, 320)
"""Grid of the travel, in steps of 1.4 %. [µm]"""
BACKLASH_GRID_UM = np.linspace(0.5, 19.5, 20)
WHOLE_SHARE = 0.85
"""From this share of the way on a first move is the whole one: first moves are tried 15 % apart."""
KNOWN_SHARE = 1 / 3
"""A screw is known for a move when its travel adds an sd of at most this share of the tolerance."""
MOST_EXCURSION_UM = 60.0
"""A first move stays, at 95 %, within this much beyond start and goal. [µm] Chosen by us: less than a hair;
a smaller one teaches too little of a fine screw."""
MISFIT_SDS = 6.0
"""A move this many standard deviations from what the best fitting screw does is refused."""
SENSE_P = 0.99
"""The sense of a screw is known at this probability."""
NEGLIGIBLE = 1e-12
"""Points of the grid with less than this share of the best are dropped: later moves cannot revive them."""
MOST_TURNS = 3.0
"""No advice turns further at once: more travel than any error worth adjusting here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewMove:
    """One move that was made, and the body's error before and after it.

    Attributes
    ----------
    turns : float
        Net turns, + in the sense taken to move the sensor away from the flange.
    approach_changed : bool or None
        Whether the screw came to rest pressing from another side than before; None: not known.
    before_um, before_sd_um, after_um, after_sd_um : float
        Error of the body with its standard uncertainty. [µm]
    shared_sd_um : float
        Part of both uncertainties that is common to them, and so is no uncertainty of the change: the errors
        of the lenses that both were read with. [µm]
    """

    turns: float
    approach_changed: bool | None
    before_um: float
    before_sd_um: float
    after_um: float
    after_sd_um: float
    shared_sd_um: float = 0.0

    @classmethod
    def of_change(
        cls, *, turns: float, approach_changed: bool | None, change_um: float, change_sd_um: float
    ) -> "ScrewMove":
        """Return a move whose change itself is known, as from :meth:`History.change`. [µm]"""
        own_um = change_sd_um / math.sqrt(2)
        return cls(
            turns=turns,
            approach_changed=approach_changed,
            before_um=0.0,
            before_sd_um=own_um,
            after_um=change_um,
            after_sd_um=own_um,
        )

    @property
    def change_um(self) -> float:
        """Change of the error. [µm, + away from the flange]"""
        return self.after_um - self.before_um

    @property
    def change_sd_um(self) -> float:
        """Standard uncertainty of the change. [µm]"""
        own = [sd**2 - self.shared_sd_um**2 for sd in (self.before_sd_um, self.after_sd_um)]
        return math.sqrt(sum(own))


@dataclass(frozen=True, slots=True, kw_only=True)
class Travel:
    """Change that a move makes: mean and standard uncertainty. [µm, + away from the flange]"""

    mean_um: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnAdvice:
    """How far to turn.

    ``turns`` with its standard uncertainty ``turns_sd`` (how far the turns that would make the wanted change
    exactly lie from it); ``travel`` that it is expected to make; ``is_trial`` when the screw is not yet known
    well enough for the whole move, and this is a first one to learn from; ``is_whole`` when that is
    all of the way.
    """

    turns: float
    turns_sd: float
    travel: Travel
    is_trial: bool
    is_whole: bool


@dataclass(frozen=True, slots=True)
class ScrewKnowledge:
    """Posterior of a screw on a grid of g points: ``share``, travel for a turn [µm], play [µm], sense (±1).

    ``count`` is how many moves it was learned from.
    """

    share: FloatArray
    travel_um: FloatArray
    backlash_um: FloatArray
    sense: FloatArray
    count: int = field(default=0)

    @property
    def um_per_turn(self) -> float:
        """Travel for one turn, posterior mean. [µm]"""
        return float(self.share @ self.travel_um)

    @property
    def um_per_turn_sd(self) -> float:
        """Its standard deviation. [µm]"""
        return _sd(self.share, self.travel_um)

    @property
    def backlash_mean_um(self) -> float:
        """Play, posterior mean. [µm]"""
        return float(self.share @ self.backlash_um)

    @property
    def backlash_sd_um(self) -> float:
        """Its standard deviation. [µm]"""
        return _sd(self.share, self.backlash_um)

    @property
    def p_sense(self) -> float:
        """Probability that + turns do move the sensor away from the flange."""
        return float(self.share @ (self.sense > 0))

    @property
    def is_sense_known(self) -> bool:
        """Whether one sense is all but certain."""
        return max(self.p_sense, 1 - self.p_sense) >= SENSE_P

    def reweighted(self, weight: FloatArray, *, moves: int = 0) -> "ScrewKnowledge":
        """Return the knowledge with other weights (g,) of its points, not all 0, after so many more moves."""
        kept = weight > NEGLIGIBLE * weight.max()
        return ScrewKnowledge(
            weight[kept] / weight[kept].sum(),
            self.travel_um[kept],
            self.backlash_um[kept],
            self.sense[kept],
            self.count + moves,
        )

    def um_per_turn_interval(self, probability: float = 0.95) -> tuple[float, float]:
        """Central interval of the travel for one turn. [µm]"""
        travel_um, place = np.unique(self.travel_um, return_inverse=True)  # whatever the play and the sense
        share: FloatArray = np.bincount(place, self.share).astype(np.float64)
        steps = np.log(travel_um)[:, None]
        width = np.full_like(steps, np.log(TRAVEL_GRID_UM[1] / TRAVEL_GRID_UM[0]) / 2)
        tail = (1 - probability) / 2
        low, high = (float(np.exp(quantile(share, steps, width, level)[0])) for level in (tail, 1 - tail))
        return low, high

    def changes_um(self, turns: float, *, approach_changed: bool | None) -> FloatArray:
        """Change that a move makes at each point of the grid (g,); of a side not known, the mean. [µm]"""
        return _change(self.travel_um, self.backlash_um, self.sense, turns, _changed_share(approach_changed))


def unknown_screw(*, p_sense: float = 1.0) -> ScrewKnowledge:
    """Return the prior of a screw.

    Parameters
    ----------
    p_sense : float
        Probability that + turns move the sensor away from the flange: 1 if the sense is known, else 0.5.
    """
    if not 0 <= p_sense <= 1:
        raise InferenceError(f"The probability of the sense is {p_sense:g}. It has to lie between 0 and 1.")
    travel, backlash, share = _prior_grid()
    both = np.concatenate([share * p_sense, share * (1 - p_sense)])
    kept = both > 0
    sense = np.repeat([1.0, -1.0], len(share))
    return ScrewKnowledge(both[kept], np.tile(travel, 2)[kept], np.tile(backlash, 2)[kept], sense[kept])


def learn(known: ScrewKnowledge, moves: Sequence[ScrewMove]) -> ScrewKnowledge:
    """Return the posterior of a screw after moves, in any order.

    Raises
    ------
    InferenceError
        If a move's number is impossible, or no screw explains a move: its direction or count is likely to be
        wrong.
    """
    log_share = np.log(known.share)
    for move in moves:
        _check_move(move)
        log_share = log_share + _log_likelihood(known, move)
    best = int(np.argmax(log_share))
    for move in moves:
        _refuse_misfit(known, best, move)
    return known.reweighted(np.exp(log_share - log_share[best]), moves=len(moves))


def travel_of(known: ScrewKnowledge, turns: float, *, approach_changed: bool | None = False) -> Travel:
    """Return the expected change by a move, with its uncertainty. [µm]"""
    refuse_unless_finite([turns], "The number of turns")
    if turns == 0:
        return Travel(mean_um=0.0, sd_um=0.0)
    changed = _changed_share(approach_changed)
    both = [_change(known.travel_um, known.backlash_um, known.sense, turns, c) for c in (0.0, 1.0)]
    shares = np.concatenate([known.share * (1 - changed), known.share * changed])
    values = np.concatenate(both)
    angle_um = ANGLE_SD_TURNS * math.sqrt(float(known.share @ known.travel_um**2))
    spread_um = math.hypot(_sd(shares, values), SETTLING_SD_UM, angle_um)
    return Travel(mean_um=float(shares @ values), sd_um=spread_um)


def turns_for(
    known: ScrewKnowledge,
    change_um: float,
    *,
    change_sd_um: float = 0.0,
    reread_sd_um: float = 3.0,
    tolerance_um: float = 10.0,
    approach_changed: bool | None = False,
) -> TurnAdvice:
    """Return how far to turn for a wanted change: the whole way if the screw is known, else a first move.

    The whole move has the least expected squared error. A first move leaves the least expected error after a
    second one, among those that stay (95 %) within ``MOST_EXCURSION_UM`` of the way from start to goal: the
    reading after it determines p to ``reread_sd_um``/turns.

    Parameters
    ----------
    known : ScrewKnowledge
    change_um, change_sd_um : float
        Change wanted, + away from the flange, and its standard uncertainty. [µm]
    reread_sd_um : float
        Standard uncertainty of the change after the re-check. [µm, above 0]
    tolerance_um : float
        Tolerance of the body, ±. [µm, above 0]
    approach_changed : bool or None
        Whether the screw will come to rest pressing from another side than before; None: not known.
    """
    refuse_unless_finite([change_um, change_sd_um], "The change wanted")
    for what, value in (("The re-check's uncertainty", reread_sd_um), ("The tolerance", tolerance_um)):
        if not (value > 0 and math.isfinite(value)):
            raise InferenceError(f"{what} is {value:g} µm. It has to be above 0.")
    turns = _whole_move(known, change_um, approach_changed)
    spread_um = travel_of(known, turns, approach_changed=approach_changed).sd_um
    is_trial = change_um != 0 and (spread_um > KNOWN_SHARE * tolerance_um or not known.is_sense_known)
    is_whole = not is_trial
    if is_trial:
        whole, turns = turns, _trial_move(known, change_um, reread_sd_um, approach_changed)
        is_whole = known.is_sense_known and abs(turns) >= WHOLE_SHARE * abs(whole)
        if is_whole and abs(turns) > abs(whole):
            turns = whole
    play_um = math.copysign(_changed_share(approach_changed), change_um) * known.backlash_um
    exact = known.sense * (change_um + play_um * (change_um != 0)) / known.travel_um
    spread = math.hypot(_sd(known.share, exact), change_sd_um * float(known.share @ (1 / known.travel_um)))
    return TurnAdvice(
        turns=turns,
        turns_sd=spread,
        travel=travel_of(known, turns, approach_changed=approach_changed),
        is_trial=is_trial,
        is_whole=is_whole,
    )


@cache
def _prior_grid() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return travel, play and prior share of every point of the grid, flattened."""
    log_travel = -0.5 * (np.log(TRAVEL_GRID_UM / TRAVEL_MEDIAN_UM) / TRAVEL_LOG_SD) ** 2
    log_backlash = -0.5 * (BACKLASH_GRID_UM / BACKLASH_SCALE_UM) ** 2
    share = np.exp(log_travel[:, None] + log_backlash[None, :]).ravel()
    travel, backlash = np.meshgrid(TRAVEL_GRID_UM, BACKLASH_GRID_UM, indexing="ij")
    return travel.ravel(), backlash.ravel(), share / share.sum()


def _sd(share: FloatArray, values: FloatArray) -> float:
    return math.sqrt(max(0.0, float(share @ (values - share @ values) ** 2)))


def _changed_share(approach_changed: bool | None) -> float:
    return 0.5 if approach_changed is None else float(approach_changed)


def _change(
    travel: FloatArray, backlash: FloatArray, sense: FloatArray, turns: float, changed: float
) -> FloatArray:
    """Return the change (g,) by a move; the play is lost first, and no move goes backward. [µm]"""
    way = np.maximum(travel * abs(turns) - changed * backlash, 0.0)
    return np.asarray(sense * math.copysign(1.0, turns) * way)


def _log_likelihood(known: ScrewKnowledge, move: ScrewMove) -> FloatArray:
    changed = _changed_share(move.approach_changed)
    variance = move.change_sd_um**2 + SETTLING_SD_UM**2 + (ANGLE_SD_TURNS * known.travel_um) ** 2
    terms = []
    for side, p in ((0.0, 1 - changed), (1.0, changed)):
        if p:
            change = _change(known.travel_um, known.backlash_um, known.sense, move.turns, side)
            terms.append(
                math.log(p) - 0.5 * np.log(variance) - 0.5 * (move.change_um - change) ** 2 / variance
            )
    return np.asarray(np.logaddexp.reduce(terms))


def _whole_move(known: ScrewKnowledge, change_um: float, approach_changed: bool | None) -> float:
    """Return the turns of least expected squared error: (Δ E[σp] + sign·c·E[p b]) / E[p²], c·b the play."""
    mean_travel = float(known.share @ (known.sense * known.travel_um))
    lost = _changed_share(approach_changed) * float(known.share @ (known.travel_um * known.backlash_um))
    along = abs(change_um) * abs(mean_travel) + lost * (change_um != 0)
    turns = along / float(known.share @ known.travel_um**2)
    return math.copysign(min(turns, MOST_TURNS), change_um * mean_travel) if change_um else 0.0


def _trial_move(
    known: ScrewKnowledge, change_um: float, reread_sd_um: float, approach_changed: bool | None
) -> float:
    """Return the first move with the least expected square after a second one, within the excursion."""
    way = 1.0 if known.p_sense >= 0.5 else -1.0
    side = math.copysign(1.0, change_um) * way
    candidates = np.geomspace(0.005, MOST_TURNS, 60)
    prior_sd = known.um_per_turn_sd
    best, best_loss = float(candidates[0]), math.inf
    for turns in candidates:
        change = known.changes_um(side * turns, approach_changed=approach_changed)
        along = change * math.copysign(1.0, change_um)
        excursion = np.maximum(-along, along - abs(change_um))
        if float(known.share @ (excursion > MOST_EXCURSION_UM)) > 0.05:
            break
        noise = reread_sd_um**2 + SETTLING_SD_UM**2 + (ANGLE_SD_TURNS * known.travel_um) ** 2
        left = 1 / (prior_sd**-2 + turns**2 / noise)
        loss = float(known.share @ (((change_um - change) / known.travel_um) ** 2 * left))
        if loss < best_loss:
            best, best_loss = float(turns), loss
    return side * best


def _refuse_misfit(known: ScrewKnowledge, best: int, move: ScrewMove) -> None:
    """Raise if even the screw that fits all moves best does not explain a move."""
    point = (known.travel_um[[best]], known.backlash_um[[best]], known.sense[[best]])
    sides = (0.0, 1.0) if move.approach_changed is None else (float(move.approach_changed),)
    expected_um = [float(_change(*point, move.turns, side)[0]) for side in sides]
    sd_um = math.hypot(move.change_sd_um, SETTLING_SD_UM)
    if min(abs(move.change_um - one) for one in expected_um) > MISFIT_SDS * sd_um:
        raise InferenceError(
            f"No screw explains this move: {move.turns:+.2f} turn changed the error by {move.change_um:+.0f} "
            f"± {sd_um:.0f} µm, where {expected_um[0]:+.0f} µm was to be expected. Check how far and which "
            "way it was turned, and whether the lock held."
        )


def _check_move(move: ScrewMove) -> None:
    refuse_unless_finite([move.turns, move.before_um, move.after_um], "A number of the move")
    sds = (move.before_sd_um, move.after_sd_um)
    if not (all(sd > 0 and math.isfinite(sd) for sd in sds) and 0 <= move.shared_sd_um <= min(sds)):
        raise InferenceError(
            f"The move's errors are known to {sds[0]:g} and {sds[1]:g} µm, {move.shared_sd_um:g} µm of it in "
            "common. The first two have to be above 0, what is in common between 0 and the lesser."
        )
    if move.turns == 0:
        raise InferenceError("A move of no turns carries no information about a screw. Leave it out.")
