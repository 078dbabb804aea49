"""Learn a house's spreads, shares and persons: expectation propagation within expectation maximisation.

Every factor that is not Gaussian (a reading's interval, a unit's levels, a walk or knock) is a site; the
sites and the spreads are improved in turn until the spreads settle. Hyperpriors, the starting values
counted as a few units, keep a house of few preps safe.

References
----------
.. [1] A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum likelihood from incomplete data via the EM
   algorithm", J. R. Stat. Soc. B 39 (1977) 1-38 (cited from memory).
.. [2] T. P. Minka, "Expectation propagation for approximate Bayesian inference", Proc. UAI (2001) 362-369
   (cited from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.house.layout import Layout, layout_of
from shimwise.inference.house.network import Information, Network, Solution
from shimwise.inference.house.readings import HouseReadings
from shimwise.inference.house.sites import (
    DAMPING,
    Site,
    cavity,
    mixture_sites,
    reading_sites,
)
from shimwise.inference.house.taught import Walk
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.priors import NU, STARTING_LEVELS, Effect, Levels, Priors
from shimwise.inference.posterior.student import STUDENT_INFLATION

MIXED = (Effect.BODY, Effect.LENS, Effect.SET, Effect.SCALE, Effect.SETUP)
COUNTED_AS = 4.0
"""The starting spreads count as so many units."""
COUNTED_OTHERWISE = {Effect.LENS: 12.0, Effect.SET: 40.0}
"""A house has few sets, and lenses of a set that lie alike by chance look like a small spread: chosen on
simulated houses of 3 to 20 preps, no outside source."""
SET_LEVELS = Levels((4.0, 10.0, 25.0), (0.90, 0.05, 0.05))
"""Shifts of sets before a house teaches them: wider than for one prep, since what all lenses of a house share
is known no better than its few sets allow. [µm] Chosen on simulated houses, no outside source."""
SHARES_COUNTED_AS = 6.0
KNOCKS_COUNTED_AS = 20.0
WALK_UM = 2.5
"""Starting walk of a unit in a month. [µm] Common practice, no source."""
KNOCK_UM = 20.0
KNOCKED_SHARE = {Kind.BODY: 0.03, Kind.LENS: 0.01}
EYE_SD = 0.2
"""Persons' offsets before anything is known. [share of N·c]"""
LEAST_RATIO = 1.5
"""The next level's spread is at least so many times the one before."""
STILL = 1.5e-3
FEWEST_ROUNDS, MOST_ROUNDS = 10, 80
LARGEST_LOG_STEP = 0.3
RING_LOG_SD = 0.7
"""Spread of the logarithm of the scale of errors from reading the ring, from one house to another. Chosen by
us."""
OVERSHOOT, MOST_OVERSHOOT = 1.7, 40.0
"""A step of maximisation is lengthened so many times; below 2 it surely converges to the same point."""
SCORED_SHARE = 0.3
"""Part of a step of scoring that is taken. Chosen on simulated houses, no outside source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """What a house teaches: levels of each effect, walks, persons' k.

    ``ring``: the scale of errors from reading the ring, in multiples of the one assumed.
    ``log_sd``: standard uncertainty of the logarithm of each effect's usual spread, that of all but the wild.
    """

    levels: Mapping[Effect, Levels]
    log_sd: Mapping[Effect, float]
    walks: Mapping[Kind, Walk]
    k: FloatArray
    ring: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """Spreads of a house with the posterior of all its unknowns; ``rounds`` until they settled."""

    readings: HouseReadings
    layout: Layout
    spreads: Spreads
    solution: Solution
    rounds: int


def learn(readings: HouseReadings) -> Learned:
    """Learn the spreads of a house from its readings, at least one."""
    return _Learner(readings, Priors()).run()


@dataclass(slots=True)
class _Group:
    """Unknowns of one effect: their columns, levels, sites and posterior."""

    starting: Levels
    counted_as: float
    sd: FloatArray
    share: FloatArray
    site: Site
    log_sd: float = (2 * COUNTED_AS) ** -0.5

    @classmethod
    def of(cls, starting: Levels, count: int, *, counted_as: float = COUNTED_AS) -> "_Group":
        precision = np.full(count, starting.usual_sd**-2.0)
        return cls(
            starting=starting,
            counted_as=counted_as,
            sd=np.array(starting.sd),
            share=np.array(starting.share),
            site=Site(precision, np.zeros(count)),
        )

    def update(self, mean: FloatArray, variance: FloatArray) -> None:
        """Match the sites against their cavities, then the spreads and shares."""
        if not len(mean):
            return
        free_mean, free_variance = cavity(mean, variance, self.site)
        found, weight, second = mixture_sites(free_mean, free_variance, self.sd**2, self.share)
        self.site = self.site.toward(found, DAMPING)
        count = weight.sum(0)
        starting = np.array(self.starting.sd) ** 2
        square = ((weight * second).sum(0) + self.counted_as * starting) / (count + self.counted_as)
        known = free_variance / (free_variance + self.levels.usual_sd**2)
        information = float(((1 - weight[:, 2]) * (1 - known) ** 2).sum())
        self.log_sd = (2 * (information + self.counted_as)) ** -0.5
        counted = len(mean) + self.counted_as
        self.sd = _beyond(self.sd, np.sqrt(square), counted / (information + self.counted_as))
        for level in (1, 2):
            self.sd[level] = max(self.sd[level], LEAST_RATIO * self.sd[level - 1])
        starting_share = SHARES_COUNTED_AS * np.array(self.starting.share)
        self.share = (count + starting_share) / (len(mean) + SHARES_COUNTED_AS)

    @property
    def levels(self) -> Levels:
        sd, share = self.sd.tolist(), self.share.tolist()
        return Levels((sd[0], sd[1], sd[2]), (share[0], share[1], share[2]))


@dataclass(slots=True)
class _Links:
    """Changes between states of units of one kind: a walk, or a knock."""

    months: FloatArray
    walk_um: float
    knocked: float
    starting_knocked: float
    site: Site
    log_sd: float = (2 * COUNTED_AS) ** -0.5

    @classmethod
    def of(cls, months: FloatArray, knocked: float) -> "_Links":
        precision = 1 / (WALK_UM**2 * months)
        return cls(months, WALK_UM, knocked, knocked, Site(precision, np.zeros(len(months))))

    def update(self, mean: FloatArray, variance: FloatArray) -> None:
        """Match the sites, then the walk and the share of knocks."""
        walk = self.walk_um**2 * self.months
        if not len(mean):
            return
        free_mean, free_variance = cavity(mean, variance, self.site)
        levels = np.stack([walk, walk + KNOCK_UM**2], axis=1)
        share = np.array([1 - self.knocked, self.knocked])
        found, weight, second = mixture_sites(free_mean, free_variance, levels, share)
        self.site = self.site.toward(found, DAMPING)
        walked, count = weight[:, 0], float(weight[:, 0].sum())
        square = float((walked * second[:, 0] / self.months).sum()) + COUNTED_AS * WALK_UM**2
        known = free_variance / (free_variance + walk)
        information = float((walked * (1 - known) ** 2).sum()) + COUNTED_AS
        self.log_sd = (2 * information) ** -0.5
        found_um = np.sqrt(square / (count + COUNTED_AS))
        self.walk_um = float(_beyond(np.array(self.walk_um), found_um, (count + COUNTED_AS) / information))
        starting = KNOCKS_COUNTED_AS
        self.knocked = (len(mean) - count + starting * self.starting_knocked) / (len(mean) + starting)

    @property
    def walk(self) -> Walk:
        return Walk(month_um=self.walk_um, log_sd=self.log_sd, knocked_share=self.knocked)


def _beyond(before: FloatArray, found: FloatArray, missing: float) -> FloatArray:
    """Return a spread beyond the one that a round of maximisation found, slow with little information.

    ``missing``: how many times more the round counts than the readings inform the spread. A step of scoring
    would be so many times as long; part of it is taken, since spreads share information.
    """
    longer = np.clip(SCORED_SHARE * missing, OVERSHOOT, MOST_OVERSHOOT)
    step = longer * np.log(found / before)
    return np.asarray(before * np.exp(np.clip(step, -LARGEST_LOG_STEP, LARGEST_LOG_STEP)))


class _Learner:
    def __init__(self, readings: HouseReadings, priors: Priors) -> None:
        self.readings, self.priors = readings, priors
        self.layout = layout = layout_of(readings)
        self.network = Network(layout.cells)
        self.firsts, self.lens_firsts = layout.first_states, layout.first_lens_states
        levels = {**STARTING_LEVELS, **priors.levels, Effect.SET: SET_LEVELS}
        counts = {
            Effect.BODY: len(self.firsts),
            Effect.LENS: len(self.lens_firsts),
            Effect.SET: len(readings.sets),
            Effect.SCALE: len(readings.lenses),
            Effect.SETUP: layout.cells.tapes,
        }
        self.groups = {
            effect: _Group.of(
                levels[effect],
                counts[effect],
                counted_as=COUNTED_OTHERWISE.get(effect, COUNTED_AS),
            )
            for effect in MIXED
        }
        self.links = _Links.of(layout.months, KNOCKED_SHARE[Kind.BODY])
        self.lens_links = _Links.of(layout.lens_months, KNOCKED_SHARE[Kind.LENS])
        self.log_k = np.full(max(1, len(readings.persons)), np.log(priors.k_median))
        self.log_ring = 0.0
        scale = self.scale()
        width = np.where(np.isfinite(readings.high_um), readings.high_um - readings.low_um, scale)
        precision = 1 / (STUDENT_INFLATION * (scale**2 + width**2 / 12))
        self.site = Site(precision, precision * (readings.low_um + width / 2))
        self.square = scale**2

    def run(self) -> Learned:
        """Improve sites and spreads in turn."""
        before = self._figures()
        for number in range(1, MOST_ROUNDS + 1):
            solution = self._solve()
            self._update(solution)
            now = self._figures()
            change = float(np.abs(now - before).max())
            before = now
            if change < STILL and number >= FEWEST_ROUNDS:
                break
        return Learned(
            readings=self.readings,
            layout=self.layout,
            spreads=self._spreads(),
            solution=self._solve(),
            rounds=number,
        )

    def scale(self) -> FloatArray:
        """Return the scale of each reading's error. [µm]"""
        one = self.readings
        k = np.exp(self.log_k)[np.maximum(one.person, 0)]
        ring_um = np.exp(self.log_ring) * one.ring_um
        return np.asarray(np.sqrt((k * one.blur_um) ** 2 + ring_um**2 + one.other_um**2))

    def _solve(self) -> Solution:
        cell, count = self.layout.cell, len(self.layout.cells.state)
        precision, pull = (_summed(one, cell, count) for one in (self.site.precision, self.site.pull))
        return self.network.solve(precision, pull, self._information())

    def _information(self) -> Information:
        layout, cells = self.layout, self.layout.cells
        state, tape = Site(np.zeros(cells.states), np.zeros(cells.states)), self.groups[Effect.SETUP].site
        dense = Site(np.zeros(cells.dense_count), np.zeros(cells.dense_count))
        state.precision[self.firsts] = self.groups[Effect.BODY].site.precision
        state.pull[self.firsts] = self.groups[Effect.BODY].site.pull
        for effect, places in self._dense_places().items():
            dense.precision[places] = self.groups[effect].site.precision
            dense.pull[places] = self.groups[effect].site.pull
        dense.precision[layout.first_person :] = EYE_SD**-2.0
        matrix = self._dense_matrix(dense.pull)
        self._add_gauges(state, dense, matrix)
        return Information(
            state_precision=state.precision,
            state_pull=state.pull,
            tape_precision=tape.precision,
            tape_pull=tape.pull,
            dense_precision=dense.precision,
            dense_pull=dense.pull,
            link_precision=self.links.site.precision,
            link_pull=self.links.site.pull,
            dense_matrix=matrix,
        )

    def _dense_places(self) -> dict[Effect, IntArray]:
        layout = self.layout
        return {
            Effect.LENS: self.lens_firsts,
            Effect.SET: np.arange(layout.first_set, layout.first_scale),
            Effect.SCALE: np.arange(layout.first_scale, layout.first_person),
        }

    def _dense_matrix(self, pull: FloatArray) -> FloatArray:
        """Return the precision that links put between lens states; their pulls are added in place."""
        matrix = np.zeros((self.layout.cells.dense_count,) * 2)
        one, site = self.layout.lens_links, self.lens_links.site
        matrix[one, one] += site.precision
        matrix[one + 1, one + 1] += site.precision
        matrix[one, one + 1] -= site.precision
        matrix[one + 1, one] -= site.precision
        pull[one] -= site.pull
        pull[one + 1] += site.pull
        return matrix

    def _add_gauges(self, state: Site, dense: Site, matrix: FloatArray) -> None:
        layout = self.layout
        for gauge in self.readings.gauges:
            if gauge.kind is Kind.BODY:
                here = np.flatnonzero(
                    (layout.body_of_state == gauge.unit) & (layout.prep_of_state == gauge.prep)
                )
                state.precision[here] += gauge.sd_um**-2
                state.pull[here] += gauge.value_um * gauge.sd_um**-2
                continue
            here = _lens_columns(layout, gauge.unit, prep=gauge.prep)
            matrix[np.ix_(here, here)] += gauge.sd_um**-2
            dense.pull[here] += gauge.value_um * gauge.sd_um**-2

    def _update(self, solution: Solution) -> None:
        self._update_readings(solution)
        variance = np.diag(solution.dense_covariance)
        self.groups[Effect.BODY].update(solution.state[self.firsts], solution.state_variance[self.firsts])
        self.groups[Effect.SETUP].update(solution.tape, solution.tape_variance)
        for effect, places in self._dense_places().items():
            self.groups[effect].update(solution.dense[places], variance[places])
        on = self.layout.cells.following
        self.links.update(solution.state[on + 1] - solution.state[on], solution.link_variance)
        on = self.layout.lens_links
        covariance = solution.dense_covariance
        self.lens_links.update(
            solution.dense[on + 1] - solution.dense[on],
            np.maximum(variance[on] + variance[on + 1] - 2 * covariance[on, on + 1], 1e-9),
        )

    def _update_readings(self, solution: Solution) -> None:
        one, cell = self.readings, self.layout.cell
        mean, variance = cavity(solution.row_mean[cell], solution.row_variance[cell], self.site)
        scale = self.scale()
        self.site, self.square = reading_sites(
            low=one.low_um,
            high=one.high_um,
            scale=scale,
            square=self.square,
            mean=mean,
            variance=variance,
        )
        self._update_scales(scale)

    def _update_scales(self, scale: FloatArray) -> None:
        """One scoring step of every person's ln k and of the ring's scale, their log-normal priors included.

        The information of each contains what it shares with the others: then all may step at once.
        """
        one, persons = self.readings, len(self.log_k)
        by_eye = one.person >= 0
        person, ratio = one.person[by_eye], (self.square / scale**2)[by_eye]
        gain, information = (NU + 1) * ratio / (NU + ratio) - 1, 2 * NU / (NU + 3)
        eye = ((np.exp(self.log_k)[one.person] * one.blur_um / scale) ** 2)[by_eye]
        ring = ((np.exp(self.log_ring) * one.ring_um / scale) ** 2)[by_eye]
        self.log_k = _scored(
            self.log_k,
            slope=_summed(eye * gain, person, persons),
            information=_summed(information * eye * (eye + ring), person, persons),
            middle=float(np.log(self.priors.k_median)),
            log_sd=self.priors.k_log_sd,
        )
        self.log_ring = float(
            _scored(
                np.array(self.log_ring),
                slope=np.array((ring * gain).sum()),
                information=np.array((information * ring * (eye + ring)).sum()),
                middle=0.0,
                log_sd=RING_LOG_SD,
            )
        )

    def _figures(self) -> FloatArray:
        """Return what has to converge: an off level that hardly a unit is at may creep on."""
        usual = [group.levels.usual_sd for group in self.groups.values()]
        walks = [self.links.walk_um, self.lens_links.walk_um]
        return np.concatenate([np.log([*usual, *walks]), self.log_k, [np.exp(self.log_ring)]])

    def _spreads(self) -> Spreads:
        return Spreads(
            levels={effect: group.levels for effect, group in self.groups.items()},
            log_sd={effect: group.log_sd for effect, group in self.groups.items()},
            walks={Kind.BODY: self.links.walk, Kind.LENS: self.lens_links.walk},
            k=np.exp(self.log_k),
            ring=float(np.exp(self.log_ring)),
        )


def _summed(values: FloatArray, of: IntArray, count: int) -> FloatArray:
    return np.asarray(np.bincount(of, values, count), dtype=np.float64)


def _scored(
    log: FloatArray, *, slope: FloatArray, information: FloatArray, middle: float, log_sd: float
) -> FloatArray:
    """Return logarithms of scales after a step of scoring with a normal prior, no longer than is safe."""
    step = (slope - (log - middle) / log_sd**2) / (information + log_sd**-2.0)
    return np.asarray(log + np.clip(step, -LARGEST_LOG_STEP, LARGEST_LOG_STEP))


def _lens_columns(layout: Layout, lens: int, *, prep: int) -> IntArray:
    """Return the dense columns that make up a lens's error at a prep: its state, and the shift of its set."""
    own = np.flatnonzero(layout.lens_of_state == lens)
    near = own[np.argmin(np.abs(layout.slice_of_lens_state[own] - layout.slice_of_prep[prep]))]
    own_set = layout.set_of_lens[lens]
    return np.array([near] if own_set < 0 else [near, layout.first_set + own_set], dtype=np.intp)
