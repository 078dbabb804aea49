"""Run the chains until they agree, and what they found: mixtures of Gaussian conditionals.

Estimates, intervals, probabilities and causes are all read off one :class:`Draws`: for each kept sweep and
chain the conditional mean and sd of every reported quantity. Averaging conditionals has less Monte Carlo
error than counting draws (Rao-Blackwell), and quantiles of the mixture hold where it has two humps.

References
----------
.. [1] A. E. Gelfand, A. F. M. Smith, "Sampling-based approaches to calculating marginal densities", J. Am.
   Stat. Assoc. 85 (1990) 398-409 (averaging conditional densities; cited from memory).
.. [2] A. Gelman, D. B. Rubin, "Inference from iterative simulation using multiple sequences", Statist. Sci. 7
   (1992) 457-472 (several dispersed chains, compared; cited from memory).
"""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.model.mixture import MixtureModel, Quantities
from shimwise.inference.posterior.chains import Chains
from shimwise.inference.posterior.moves import is_coarse
from shimwise.inference.posterior.normal import normal_cdf

CHAINS, CHAINS_ON_COARSE_RULERS = 32, 64
BURN_IN = 6
SWEEPS = 10
MOST_RUNS = 12
"""A run is ``SWEEPS`` kept sweeps; runs are added while the chains disagree, up to this many."""
RUNS_OF_MANY = 4
"""The most runs for a whole house in one prep: of thousands of probabilities some are always known badly."""
GOOD_MEAN_P_SD, GOOD_LARGEST_P_SD = 0.01, 0.02
"""Monte Carlo sd of the probabilities P(|x| > limit) that ends the runs: mean and largest."""
RUNS_WITHOUT_LIMIT = 2
"""Runs where nothing counts as out, and so no probability decides when to end."""
READINGS_AT_ONCE, CELLS_AT_ONCE = 150_000, 400_000
"""Chains are so few that chains × readings and chains × unknowns² stay below these."""
LEAST_CHAINS = 6
MOST_COMPONENTS, MOST_QUANTILED = 600, 3_000_000
"""Quantiles are taken from so many conditionals, evenly chosen; of many quantities from fewer, so many
numbers in all."""


@dataclass(frozen=True, slots=True)
class Draws:
    """What all chains found of g quantities, p unknowns, n readings.

    ``mean`` and ``sd`` (sweeps, chains, g) of the Gaussian conditionals; ``unknowns_covariance`` (p, p) of
    the unknowns' deviations from the model's centre; ``k`` (persons,) posterior means; ``weight`` (n,) mean
    weights and ``scale_um`` (n,) root mean square error scales, in the rows' order.
    """

    quantities: Quantities
    mean: FloatArray
    sd: FloatArray
    unknowns_covariance: FloatArray
    k: FloatArray
    weight: FloatArray
    scale_um: FloatArray
    is_converged: bool

    @property
    def estimate(self) -> FloatArray:
        """Posterior means of the quantities, shape (g,)."""
        return np.asarray(self.mean.mean((0, 1)))

    @property
    def estimate_sd(self) -> FloatArray:
        """Posterior standard deviations of the quantities, shape (g,)."""
        return np.asarray(np.sqrt((self.sd**2).mean((0, 1)) + self.mean.var((0, 1))))

    def covariance(self) -> FloatArray:
        """Posterior covariance (g, g) of the quantities."""
        matrix = self.quantities.matrix
        return np.asarray(matrix @ self.unknowns_covariance @ matrix.T)

    def correlation(self, one: int, other: int) -> float:
        """Return the correlation of two quantities in the posterior; 0 where one is known exactly."""
        rows = self.quantities.matrix[[one, other]]
        covariance = rows @ self.unknowns_covariance @ rows.T
        size = np.sqrt(covariance[0, 0] * covariance[1, 1])
        return float(np.clip(covariance[0, 1] / size, -1.0, 1.0)) if size > 0 else 0.0

    def outside(self, limit: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Probability of each quantity lying below −limit and above +limit, each (g,)."""
        below = normal_cdf((-limit - self.mean) / self.sd).mean((0, 1))
        return np.asarray(below), np.asarray(normal_cdf((self.mean - limit) / self.sd).mean((0, 1)))

    def interval(self, probability: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Central interval of every quantity, (g,) low and (g,) high, from the mixture's own quantiles."""
        means, sds = _thinned(self.mean), _thinned(self.sd)
        tail = (1 - probability) / 2
        return mixture_quantile(means, sds, tail), mixture_quantile(means, sds, 1 - tail)


def draw(model: MixtureModel, *, limit: FloatArray, seed: int = 0, most_runs: int = MOST_RUNS) -> Draws:
    """Sample the posterior of a model until the probabilities of being out are known well enough.

    Parameters
    ----------
    model : MixtureModel
        With no reading at all the answer is the prior with its gauges.
    limit : array, shape (g,)
        What counts as out, for each reported quantity in its own unit; infinite where nothing is asked.
    seed : int
        Same model and seed, same answer.
    most_runs : int
        Runs of ``SWEEPS`` kept sweeps at most.
    """
    most = min(
        CHAINS_ON_COARSE_RULERS if is_coarse(model) else CHAINS,
        READINGS_AT_ONCE // max(len(model.rows.pattern), 1),
        CELLS_AT_ONCE // max(len(model.columns) ** 2, 1),
    )
    chains = Chains(model, count=max(LEAST_CHAINS, most), seed=seed)
    for _ in range(BURN_IN):
        chains.sweep()
    kept = _Kept(chains, limit)
    if not chains.is_collapsed:
        most_runs = min(most_runs, RUNS_OF_MANY)
    for run in range(1, most_runs + 1):
        for _ in range(SWEEPS):
            kept.add()
        if kept.is_enough() if len(kept.asked) else run >= RUNS_WITHOUT_LIMIT:
            return kept.draws(is_converged=True)
    return kept.draws(is_converged=False)


class _Kept:
    """Sums and conditionals of the kept sweeps."""

    def __init__(self, chains: Chains, limit: FloatArray) -> None:
        self.chains = chains
        self.asked = np.flatnonzero(np.isfinite(limit))
        self.limit = limit[self.asked]
        self.outside, self.counted = np.zeros((chains.count, len(self.asked))), 0
        n, p = len(chains.model.rows.pattern), chains.p
        self.means: list[FloatArray] = []
        self.sds: list[FloatArray] = []
        self.first, self.second = np.zeros(p), np.zeros((p, p))
        self.k, self.weight, self.square = np.zeros(chains.log_k.shape[1]), np.zeros(n), np.zeros(n)

    def add(self) -> None:
        """One more sweep."""
        chains = self.chains
        found = chains.sweep()
        self.means.append(found.mean)
        self.sds.append(found.sd)
        self.first += chains.mean.mean(0)
        self.second += chains.covariance.mean(0) + chains.mean.T @ chains.mean / chains.count
        self.k += np.exp(chains.log_k).mean(0)
        self.weight += chains.weights.mean(0)
        self.square += (chains.row_scale() ** 2).mean(0)[chains.model.rows.pattern]

    def is_enough(self) -> bool:
        """Whether the probabilities of lying outside are known well enough, by the scatter between chains."""
        mean = np.array(self.means[self.counted :])[:, :, self.asked]
        sd = np.array(self.sds[self.counted :])[:, :, self.asked]
        below, above = normal_cdf((-self.limit - mean) / sd), normal_cdf((mean - self.limit) / sd)
        self.outside += (below + above).sum(0)
        self.counted = len(self.means)
        by_chain = self.outside / self.counted
        error = by_chain.std(0, ddof=1) / np.sqrt(len(by_chain))
        return bool(error.mean() <= GOOD_MEAN_P_SD and error.max() <= GOOD_LARGEST_P_SD)

    def draws(self, *, is_converged: bool) -> Draws:
        """Return what was found so far."""
        count = len(self.means)
        mean = self.first / count
        return Draws(
            quantities=self.chains.model.quantities,
            mean=np.array(self.means),
            sd=np.array(self.sds),
            unknowns_covariance=self.second / count - np.outer(mean, mean),
            k=self.k / count,
            weight=self.weight / count,
            scale_um=np.sqrt(self.square / count),
            is_converged=is_converged,
        )


def _thinned(values: FloatArray) -> FloatArray:
    """Return some of the (sweeps, chains) rows, evenly chosen, shape (m, g)."""
    flat = values.reshape(-1, values.shape[-1])
    most = min(MOST_COMPONENTS, MOST_QUANTILED // max(1, flat.shape[1]))
    taken = np.unique(np.linspace(0, len(flat) - 1, min(len(flat), max(1, most))).astype(np.intp))
    return np.asarray(flat[taken])


def mixture_quantile(means: FloatArray, sds: FloatArray, level: float) -> FloatArray:
    """Quantile (g,) of each mixture of m equal shares (m, g), by bisection to 1e-4 of its spread."""
    spread = np.sqrt((sds**2).mean(0) + means.var(0))
    low, high = (means - 4 * sds).min(0), (means + 4 * sds).max(0)
    while np.any(high - low > 1e-4 * spread):
        middle = (low + high) / 2
        below = normal_cdf((middle - means) / sds).mean(0) < level
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)
