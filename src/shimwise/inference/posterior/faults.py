"""Which units are damaged: spike-and-slab priors and a seeded Gibbs sampler.

Most units are healthy, and a prep with a fault usually has one. Each body, lens, scale and set-up therefore
has a narrow prior (healthy, the spike) or a wide one (damaged, the slab). The spread of healthy lenses of
unknown history is learned from the set itself. Many short chains run side by side; whether a unit is damaged
is drawn with all errors integrated out, so that a fault can move from one unit to another.

The answer is about causes. Errors and their intervals come from :mod:`.robust`, whose
priors do not assume that most units are healthy.

References
----------
.. [1] E. I. George, R. E. McCulloch, "Variable selection via Gibbs sampling", J. Am. Stat. Assoc. 88 (1993)
   881-889 (spike and slab, both of finite width; cited from memory).
.. [2] A. E. Gelfand, A. F. M. Smith, "Sampling-based approaches to calculating marginal densities", J. Am.
   Stat. Assoc. 85 (1990) 398-409 (averaging the conditional densities; cited from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.inference.model.linear import FloatArray, IntArray, Kind, Model
from shimwise.inference.posterior.mixtures import outside
from shimwise.inference.posterior.robust import (
    K_GRID,
    NU,
    Posterior,
    log_prior_of_k,
    log_student,
    sum_by_pattern,
)

CHAINS = 48
SWEEPS = 36
BURN_IN = 8
MOST_COLLAPSED = 120
"""Up to this many unknowns units are drawn one by one, the errors integrated out; beyond it, all at once."""
CELLS_AT_ONCE = 400_000
"""Chains are so few that chains × readings and chains × unknowns² stay below this."""
HEALTHY_LENS_SD_UM = np.array([3.0, 4.5, 6.5, 9.0, 13.0])
"""Spread of healthy lenses of unknown history, learned from the set: equally probable before. [µm]"""


@dataclass(frozen=True, slots=True)
class SpikeSlab:
    """Prior of one kind of unit: sd when healthy, sd when damaged, and how often it is damaged."""

    healthy_sd: float
    damaged_sd: float
    p_damaged: float


PRIORS = {
    Kind.BODY: SpikeSlab(6.0, 22.0, 0.40),
    Kind.LENS: SpikeSlab(5.0, 30.0, 0.06),
    Kind.SCALE: SpikeSlab(2.0, 12.0, 0.05),
    Kind.SETUP: SpikeSlab(1.7, 20.0, 0.04),
}
"""Body and lens in µm, scale in ‰, set-up in mm. A body comes to the bench because it is in doubt; the rest
seldom is. Chosen by us, no outside source; a unit's own history replaces the healthy sd."""


@dataclass(frozen=True, slots=True)
class Faults:
    """Per column of the model (p,): probability of lying outside its limit, and of being damaged."""

    p_out: FloatArray
    p_damaged: FloatArray


def find_faults(model: Model, start: Posterior, *, limit: FloatArray, seed: int) -> Faults:
    """Compute the probability that each unit is at fault, most units being healthy.

    Parameters
    ----------
    model : Model
        At least one reading.
    start : Posterior
        Robust posterior of the same model: where the chains begin.
    limit : array, shape (p,)
        What counts as out, in each unknown's unit; infinite for nuisances.
    seed : int
        Of the random generator: the same seed gives the same result.
    """
    chains = _Chains(model, start, seed)
    p_out, p_damaged = np.zeros(len(limit)), np.zeros(len(limit))
    for sweep in range(SWEEPS):
        chains.sweep()
        if sweep >= BURN_IN:
            below, above = outside(chains.equal_share, chains.means, chains.sds, limit)
            p_out += (below + above) / (SWEEPS - BURN_IN)
            p_damaged += chains.p_damaged.mean(0) / (SWEEPS - BURN_IN)
    return Faults(p_out=np.minimum(p_out, 1.0), p_damaged=np.minimum(p_damaged, 1.0))


def damaged_sd(model: Model, column: int) -> float:
    """Return the prior sd of a unit taken as damaged, in its own unit."""
    unknown = model.unknowns[column]
    wide = PRIORS[unknown.kind].damaged_sd
    return float(np.hypot(unknown.sd, wide)) if unknown.has_history else max(wide, unknown.sd)


class _Chains:
    """State of all chains: c of them side by side, n readings, p unknowns.

    ``means`` (c, p) and ``covariances`` (c, p, p): of the errors, conditional on everything else.
    """

    def __init__(self, model: Model, start: Posterior, seed: int) -> None:
        self.model = model
        self.rng = np.random.default_rng(seed)
        n, p = len(model.landing_um), len(model.unknowns)
        count = max(4, min(CHAINS, CELLS_AT_ONCE // max(n, p * p)))
        self.equal_share = np.full(count, 1 / count)
        self.units = [i for i, unknown in enumerate(model.unknowns) if unknown.kind in PRIORS]
        healthy, self.slab, self.log_odds = _priors(model)
        self.spike = np.tile(healthy, (count, 1))
        self.learned = [i for i in model.indices(Kind.LENS) if not model.unknowns[i].has_history]
        self.person = model.operator[model.pattern]
        self.variance_by_k = (K_GRID[:, None] * model.blur_um) ** 2 + model.reading_sd_um**2
        self.damaged: NDArray[np.bool_] = np.zeros((count, p), dtype=bool)
        self.p_damaged = np.zeros((count, p))
        self.k_index = np.tile([int(np.argmin(np.abs(K_GRID - k))) for k in start.k], (count, 1))
        self.weights = np.tile(start.weights, (count, 1))
        self._draw_lens_spread(np.zeros((count, len(HEALTHY_LENS_SD_UM))))

    def sweep(self) -> None:
        """Draw everything once."""
        self._solve()
        if len(self.model.unknowns) <= MOST_COLLAPSED:
            for unit in self.rng.permutation(self.units):
                self._draw_damage(int(unit))
        errors = self._draw_errors()
        if len(self.model.unknowns) > MOST_COLLAPSED:
            self._draw_damage_given(errors)
        residual = self.model.landing_um - (errors @ self.model.design.T)[:, self.model.pattern]
        self._draw_k(residual**2)
        variance = self._variance()
        rate = (NU + residual**2 / variance) / 2
        self.weights = self.rng.gamma((NU + 1) / 2, size=rate.shape) / rate
        self._draw_lens_spread(self._log_density_of_spread(errors))

    @property
    def sds(self) -> FloatArray:
        """Standard deviations (c, p) of the errors, conditional on everything else."""
        return np.sqrt(np.diagonal(self.covariances, axis1=1, axis2=2))

    def _variance(self) -> FloatArray:
        return np.asarray(self.variance_by_k[self.k_index[:, self.person], self.model.pattern])

    def _prior_variance(self) -> FloatArray:
        return np.where(self.damaged, self.slab, self.spike) ** 2

    def _solve(self) -> None:
        model, prior = self.model, self._prior_variance()
        information = self.weights / self._variance()
        total = sum_by_pattern(model, information)
        pulled = sum_by_pattern(model, information * model.landing_um) @ model.design
        precision = (model.design.T * total[:, None, :]) @ model.design
        diagonal = np.arange(precision.shape[1])
        precision[:, diagonal, diagonal] += 1 / prior + model.gauge_precision
        self.covariances = np.linalg.inv(precision)
        pull = pulled + model.prior_mean / prior + model.gauge_pull
        self.means = np.einsum("cij,cj->ci", self.covariances, pull)

    def _draw_damage(self, unit: int) -> None:
        """Draw whether one unit is damaged, all errors integrated out, and update the solution (rank one).

        Conditional on the errors a unit would stay in its state: a narrow prior keeps its error small, and a
        small error keeps the prior narrow.
        """
        old = np.where(self.damaged[:, unit], self.slab[unit], self.spike[:, unit]) ** 2
        variance, prior_mean = self.covariances[:, unit, unit], self.model.prior_mean[unit]
        offset = self.means[:, unit] - prior_mean
        data_precision = np.maximum(1 / variance - 1 / old, 0.0)  # the likelihood of this unit
        data_pull = offset / variance
        log_ratio = _log_marginal(self.slab[unit] ** 2, data_precision, data_pull) - _log_marginal(
            self.spike[:, unit] ** 2, data_precision, data_pull
        )
        self._toss(unit, log_ratio)
        new = np.where(self.damaged[:, unit], self.slab[unit], self.spike[:, unit]) ** 2
        change = 1 / new - 1 / old
        factor = change / (1 + change * variance)
        column = self.covariances[:, :, unit].copy()
        self.means -= column * (factor * offset)[:, None]
        self.covariances -= (factor[:, None] * column)[:, :, None] * column[:, None, :]

    def _draw_damage_given(self, errors: FloatArray) -> None:
        """Draw whether each unit is damaged, conditional on all errors: for large benches."""
        square = (errors - self.model.prior_mean) ** 2
        log_ratio = np.log(self.spike / self.slab) + 0.5 * square * (self.spike**-2 - self.slab**-2)
        for unit in self.units:
            self._toss(unit, log_ratio[:, unit])

    def _toss(self, unit: int, log_ratio: FloatArray) -> None:
        odds = np.clip(log_ratio + self.log_odds[unit], -50, 50)
        self.p_damaged[:, unit] = 1 / (1 + np.exp(-odds))
        self.damaged[:, unit] = self.rng.random(len(odds)) < self.p_damaged[:, unit]

    def _draw_errors(self) -> FloatArray:
        root = np.linalg.cholesky(self.covariances)
        noise = self.rng.standard_normal(self.means.shape)
        return np.asarray(self.means + np.einsum("cij,cj->ci", root, noise))

    def _draw_k(self, square: FloatArray) -> None:
        by_reading = self.variance_by_k[:, self.model.pattern]
        density = np.empty((len(square), len(K_GRID)))
        for person in range(len(self.model.operators)):
            mine = self.person == person
            for i, variance in enumerate(by_reading[:, mine]):
                density[:, i] = log_student(square[:, mine], variance).sum(1)
            self.k_index[:, person] = self._pick(density + log_prior_of_k(K_GRID))

    def _log_density_of_spread(self, errors: FloatArray) -> FloatArray:
        healthy = ~self.damaged[:, self.learned]
        square = (healthy * (errors[:, self.learned] - self.model.prior_mean[self.learned]) ** 2).sum(1)
        count = healthy.sum(1)
        sd = HEALTHY_LENS_SD_UM
        return np.asarray(-count[:, None] * np.log(sd) - 0.5 * square[:, None] / sd**2)

    def _draw_lens_spread(self, log_density: FloatArray) -> None:
        if self.learned:
            self.spike[:, self.learned] = HEALTHY_LENS_SD_UM[self._pick(log_density)][:, None]

    def _pick(self, log_density: FloatArray) -> IntArray:
        """Draw an index from each row of log densities (c, options)."""
        cumulative = np.cumsum(np.exp(log_density - log_density.max(1, keepdims=True)), axis=1)
        level = self.rng.random((len(cumulative), 1)) * cumulative[:, -1:]
        return np.asarray((level > cumulative).sum(1), dtype=np.intp)


def _priors(model: Model) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return healthy sd, damaged sd and log odds of damage of every column, each (p,)."""
    healthy, damaged, log_odds = model.prior_sd, model.prior_sd, np.full(len(model.unknowns), -np.inf)
    for i, unknown in enumerate(model.unknowns):
        if unknown.kind in PRIORS:
            prior = PRIORS[unknown.kind]
            healthy[i] = unknown.sd if unknown.has_history else prior.healthy_sd
            damaged[i] = damaged_sd(model, i)
            log_odds[i] = np.log(prior.p_damaged / (1 - prior.p_damaged))
    return healthy, damaged, log_odds


def _log_marginal(variance: FloatArray | float, precision: FloatArray, pull: FloatArray) -> FloatArray:
    """Return log ∫ N(x; 0, variance) exp(pull·x − precision·x²/2) dx: the evidence of that prior variance."""
    shrink = 1 + variance * precision
    return np.asarray(-0.5 * np.log(shrink) + 0.5 * pull**2 * variance / shrink)
