"""The robust posterior: every unit's error given all landings, with outliers down-weighted.

Errors of the readings are Student-t with ν = 4, written as a Gaussian scale mixture. For each point of a grid
(a person's k, and how far history is to be believed) the joint posterior of unknowns and weights is found by
expectation-maximisation, the weights being (ν + 1) / (ν + E r²/s²); the points are mixed by their evidence.

References
----------
.. [1] K. L. Lange, R. J. A. Little, J. M. G. Taylor, "Robust statistical modeling using the t distribution",
   J. Am. Stat. Assoc. 84 (1989) 881-896, section 3 (the weights; cited from memory).
.. [2] C. M. Bishop, *Pattern Recognition and Machine Learning* (2006), sections 2.3.7 and 10.1 (the
   mixture and the lower bound of the evidence; cited from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shimwise.inference.model.linear import FloatArray, Kind, Model
from shimwise.inference.posterior.mixtures import outside, quantile

NU = 4.0
"""Degrees of freedom of a reading's error: a blunder loses its weight, a good reading keeps it."""
K_GRID = np.geomspace(0.06, 0.6, 9)
"""Grid of a person's k (focusing spread as a share of N·c)."""
K_MEDIAN, K_LOG_SD = 0.19, 0.45
"""Prior of k, log-normal: about 0.1 to 0.3 a person (common practice, no source)."""
HISTORY_FACTORS = np.array([1.0, 3.0])
"""Factors by which the sd of the lenses' history may be too small: a wrong history must not dominate."""
HISTORY_SHARES = np.array([0.74, 0.26])
"""Prior of those factors: intervals cover when history is right and when it is twice too narrow."""
CONVERGED = 3e-4
"""Iteration ends when no mean changes by more than this share of its prior sd."""
MOST_ITERATIONS = 60
NEGLIGIBLE = 1e-6
"""Points of the grid with less evidence than this share of the best are dropped."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """A Gaussian mixture over the p unknowns: ``share`` (g,), ``means`` (g, p), ``covariances`` (g, p, p).

    ``weights`` (n,) are the readings' mean weights, ``sd_um`` (n,) their standard uncertainties before
    weighing, ``k`` (operators,) each person's posterior mean, ``factors`` (g,) by which each component widens
    the lenses' history.
    """

    share: FloatArray
    means: FloatArray
    covariances: FloatArray
    weights: FloatArray
    sd_um: FloatArray
    k: FloatArray
    factors: FloatArray

    @property
    def history_factor(self) -> float:
        """Posterior mean of the factor by which the lenses' history was widened."""
        return float(self.share @ self.factors)

    def with_given_history(self) -> "Posterior":
        """Return the part of the mixture that uses the lenses' history as given."""
        kept = self.factors == self.factors.min()
        return replace(
            self,
            share=self.share[kept] / self.share[kept].sum(),
            means=self.means[kept],
            covariances=self.covariances[kept],
            factors=self.factors[kept],
        )

    @property
    def mean(self) -> FloatArray:
        """Posterior means, shape (p,)."""
        return self.share @ self.means

    @property
    def covariance(self) -> FloatArray:
        """Posterior covariance of the mixture, shape (p, p)."""
        offset = self.means - self.mean
        between = np.einsum("g,gi,gj->ij", self.share, offset, offset)
        return np.asarray(np.tensordot(self.share, self.covariances, 1) + between)

    @property
    def sd(self) -> FloatArray:
        """Posterior standard deviations, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def _sds(self) -> FloatArray:
        return np.sqrt(np.diagonal(self.covariances, axis1=1, axis2=2))

    def interval(self, probability: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Return the central interval of every unknown, (p,) low and (p,) high: quantiles of the mixture."""
        tail = (1 - probability) / 2
        low, high = (quantile(self.share, self.means, self._sds, level) for level in (tail, 1 - tail))
        return low, high

    def p_outside(self, limit: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the probability below −limit and above +limit, each (p,), in the unknowns' units."""
        return outside(self.share, self.means, self._sds, limit)


@dataclass(frozen=True, slots=True)
class Grid:
    """Points at which the posterior is solved: ``k`` (g, operators), prior ``sd`` (g, p), ``log_prior`` (g,).

    ``history_factor`` (g,) widens the sd of the lenses' history.
    """

    k: FloatArray
    sd: FloatArray
    log_prior: FloatArray
    history_factor: FloatArray


@dataclass(frozen=True, slots=True)
class _Solution:
    """Per grid point: means (g, p), covariances (g, p, p), weights and variances (g, n), evidence (g,)."""

    means: FloatArray
    covariances: FloatArray
    weights: FloatArray
    variance: FloatArray
    expected_square: FloatArray
    log_evidence: FloatArray


def robust_posterior(model: Model, *, damaged: Sequence[tuple[int, float]] = ()) -> Posterior:
    """Compute the posterior of a model, mixed over the operators' k and the trust in the lenses' history.

    Parameters
    ----------
    model : Model
        Without readings the result is the prior with its gauges.
    damaged : sequence of (column, sd)
        Unknowns treated as damaged, with their wider prior sd, in their own units.
    """
    prior_sd = model.prior_sd
    for column, sd in damaged:
        prior_sd[column] = sd
    # One k for all first. With several operators the full grid would be 9^operators; instead each one's k is
    # drawn from its own posterior given the best point's residuals, and those points are weighed equally.
    k = np.tile(K_GRID[:, None], (1, len(model.operators)))
    grid = _with_widenings(model, k, prior_sd, log_prior_of_k(K_GRID))
    solution = _solve(model, grid)
    if len(model.operators) > 1:
        best = int(np.argmax(solution.log_evidence + grid.log_prior))
        k = _k_by_operator(model, solution.expected_square[best])
        grid = _with_widenings(model, k, prior_sd, np.zeros(len(k)))
        solution = _solve(model, grid)
        return _mix(grid, solution, _evidence_of_factors(grid, solution))
    return _mix(grid, solution, solution.log_evidence + grid.log_prior)


def _evidence_of_factors(grid: Grid, solution: _Solution) -> FloatArray:
    """Return log weights (g,) by the history factor alone: here k is drawn from its posterior."""
    total = solution.log_evidence + grid.log_prior
    weight = np.exp(total - total.max())
    of_factor = {factor: weight[grid.history_factor == factor].mean() for factor in set(grid.history_factor)}
    return np.log(np.array([of_factor[factor] for factor in grid.history_factor]) + np.finfo(float).tiny)


def _mix(grid: Grid, solution: _Solution, total: FloatArray) -> Posterior:
    """Return the mixture of the grid's points by their log weights ``total`` (g,)."""
    share = np.exp(total - total.max())
    kept = share > NEGLIGIBLE * share.max()
    share = share[kept] / share[kept].sum()
    return Posterior(
        share=share,
        means=solution.means[kept],
        covariances=solution.covariances[kept],
        weights=share @ solution.weights[kept],
        sd_um=np.sqrt(share @ solution.variance[kept]),
        k=share @ grid.k[kept],
        factors=grid.history_factor[kept],
    )


def _with_widenings(model: Model, k: FloatArray, prior_sd: FloatArray, log_prior: FloatArray) -> Grid:
    """Return every k (points, operators) with every widening of the lenses' history, if there is any."""
    known = [i for i in model.indices(Kind.LENS) if model.unknowns[i].has_history]
    factors = HISTORY_FACTORS if known else np.ones(1)
    shares = HISTORY_SHARES if known else np.ones(1)
    factor = np.tile(factors, len(k))
    sd = np.tile(prior_sd, (len(factor), 1))
    sd[:, known] *= factor[:, None]
    return Grid(
        k=np.repeat(k, len(factors), axis=0),
        sd=sd,
        log_prior=np.repeat(log_prior, len(factors)) + np.log(np.tile(shares, len(k))),
        history_factor=factor,
    )


def log_prior_of_k(k: FloatArray) -> FloatArray:
    """Return the log prior density of log k, up to a constant."""
    return np.asarray(-0.5 * (np.log(k / K_MEDIAN) / K_LOG_SD) ** 2)


def _solve(model: Model, grid: Grid) -> _Solution:
    pattern = model.pattern
    variance_of_pattern = (grid.k[:, model.operator] * model.blur_um) ** 2 + model.reading_sd_um**2
    variance = variance_of_pattern[:, pattern]
    prior_precision = grid.sd**-2
    precision0 = prior_precision + model.gauge_precision
    pull0 = prior_precision * model.prior_mean + model.gauge_pull
    weights = np.ones_like(variance)
    means = np.tile(model.prior_mean, (len(grid.k), 1))
    covariances, expected_square = np.empty(0), np.empty(0)
    for _ in range(MOST_ITERATIONS):
        # Expectation-maximisation of the t's scale mixture: the bound of the evidence rises at every step, so
        # it converges from weights of 1; all grid points run side by side until the slowest has settled.
        before = means
        means, covariances, expected_square = _gaussian_step(model, weights / variance, precision0, pull0)
        weights = (NU + 1) / (NU + expected_square / variance)
        if np.max(np.abs(means - before) / grid.sd) < CONVERGED:
            break
    log_evidence = _log_evidence(model, grid, means, covariances, expected_square, variance)
    return _Solution(means, covariances, weights, variance, expected_square, log_evidence)


def _gaussian_step(
    model: Model, information: FloatArray, precision0: FloatArray, pull0: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the Gaussian posterior for information w/s² (g, n) of each reading, and E r² of each reading."""
    design, pattern = model.design, model.pattern
    total, pulled = (
        sum_by_pattern(model, values) for values in (information, information * model.landing_um)
    )
    precision = (design.T * total[:, None, :]) @ design
    diagonal = np.arange(design.shape[1])
    precision[:, diagonal, diagonal] += precision0
    covariances = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    means = np.einsum("gij,gj->gi", covariances, pulled @ design + pull0)
    spread = np.einsum("gqi,qi->gq", design @ covariances, design)
    residual = model.landing_um - (means @ design.T)[:, pattern]
    return means, covariances, residual**2 + spread[:, pattern]


def sum_by_pattern(model: Model, values: FloatArray) -> FloatArray:
    """Return sums (g, q) of values (g, n) over the readings of each pattern."""
    count = len(model.design)
    return np.array([np.bincount(model.pattern, weights=value, minlength=count) for value in values])


def _log_evidence(
    model: Model,
    grid: Grid,
    means: FloatArray,
    covariances: FloatArray,
    expected_square: FloatArray,
    variance: FloatArray,
) -> FloatArray:
    """Return the lower bound of the log evidence at each grid point, up to a common constant."""
    readings = log_student(expected_square, variance)
    spread = np.diagonal(covariances, axis1=1, axis2=2)
    offset2 = (means - model.prior_mean) ** 2 + spread
    prior = -np.log(grid.sd) - 0.5 * offset2 / grid.sd**2
    gauge = -0.5 * model.gauge_precision * (means**2 + spread) + model.gauge_pull * means
    entropy = 0.5 * np.linalg.slogdet(covariances)[1]
    return np.asarray(readings.sum(1) + prior.sum(1) + gauge.sum(1) + entropy)


def _k_by_operator(model: Model, expected_square: FloatArray) -> FloatArray:
    """Return points (points, operators) of every person's k: quantiles of each one's posterior, crossed.

    Each person's quantiles are shuffled differently (a Latin hypercube), so that no two persons' k rise
    together.
    """
    points = len(K_GRID)
    level = (np.arange(points) + 0.5) / points
    person = model.operator[model.pattern]
    rank = np.argsort(np.argsort(model.operators))  # by name: the order of the readings does not matter
    k = np.empty((points, len(model.operators)))
    for o in range(len(model.operators)):
        mine = person == o
        pattern = model.pattern[mine]
        variance = (K_GRID[:, None] * model.blur_um[pattern]) ** 2 + model.reading_sd_um[pattern] ** 2
        density = log_prior_of_k(K_GRID) + log_student(expected_square[mine], variance).sum(1)
        cumulative = np.cumsum(np.exp(density - density.max()))
        order = np.random.default_rng(rank[o]).permutation(points)
        k[:, o] = np.exp(np.interp(level[order], cumulative / cumulative[-1], np.log(K_GRID)))
    return k


def log_student(square: FloatArray, variance: FloatArray) -> FloatArray:
    """Return the log density of a residual by its square, Student-t of ν = 4, up to a constant."""
    return np.asarray(-0.5 * np.log(variance) - 0.5 * (NU + 1) * np.log1p(square / (NU * variance)))
