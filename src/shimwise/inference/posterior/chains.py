"""The sampler: many Gibbs chains side by side, the levels drawn with all errors integrated out.

One sweep, for every chain at once:

1. Given weights and latent landings the unknowns are Gaussian; solve for their mean and covariance.
2. Draw each unknown's level with all unknowns integrated out, and update mean and covariance by rank one.
   With δ the change of its prior precision, the log weight of a level is
   −½ ln(1 + δΣ_jj) − ½ δμ_j²/(1 + δΣ_jj) − ln σ + ln π (matrix determinant lemma, Sherman-Morrison).
3. Keep the Gaussian conditionals of the reported quantities, not draws of them.
4. Draw the unknowns; for coarse rulers move them along fixed directions, with levels, latent landings and
   weights integrated out, and draw the levels again. The Gaussian draw alone would creep there, because the
   latent landings hold it.
5. Draw each person's k with latent landings and weights integrated out, then latent landings from the
   truncated t, then weights, shares, and the spread of healthy lenses.

References
----------
.. [1] J. S. Liu, W. H. Wong, A. Kong, "Covariance structure of the Gibbs sampler with applications to the
   comparisons of estimators and augmentation schemes", Biometrika 81 (1994) 27-40 (collapsing, and averaging
   conditionals; cited from memory).
.. [2] D. A. van Dyk, T. Park, "Partially collapsed Gibbs samplers", J. Am. Stat. Assoc. 103 (2008) 790-796
   (which order of draws keeps the stationary distribution; cited from memory).
.. [3] E. I. George, R. E. McCulloch, "Variable selection via Gibbs sampling", J. Am. Stat. Assoc. 88 (1993)
   881-889 (levels as normals of different width; cited from memory).
"""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.model.mixture import MixtureModel
from shimwise.inference.model.priors import NU
from shimwise.inference.posterior.coarse import ChainState
from shimwise.inference.posterior.moves import IntervalCells, is_coarse, move_groups
from shimwise.inference.posterior.products import Products
from shimwise.inference.posterior.student import STUDENT_INFLATION, truncated_draws

K_STEP = 0.35
"""Standard deviation of a proposal of ln k."""
K_TRIES = 2
MOST_COLLAPSED = 250
"""Up to this many unknowns levels are drawn with the errors integrated out; beyond, given the errors."""


@dataclass(frozen=True, slots=True)
class Conditionals:
    """Gaussian conditionals of one sweep: ``mean`` and ``sd`` (c, g) of the quantities."""

    mean: FloatArray
    sd: FloatArray


class Chains:
    """State of c chains over n readings and p unknowns; same model and seed, same course."""

    def __init__(self, model: MixtureModel, *, count: int, seed: int) -> None:
        self.model = model
        self.rng = np.random.Generator(np.random.SFC64(seed))
        self.count = count
        self._prepare()
        self._start()

    def sweep(self) -> Conditionals:
        """Draw everything once; return the conditionals of the reported quantities."""
        self._solve()
        if self.is_collapsed:
            self._draw_levels()
        found = self._conditionals()
        self._draw_unknowns()
        if not self.is_collapsed:
            self._draw_levels_given_unknowns()
        if self.groups:
            self._move()
            self._draw_levels_given_unknowns()
        self._draw_k()
        self._draw_landings_and_weights()
        self._draw_shares()
        self._draw_healthy_spread()
        return found

    def _prepare(self) -> None:
        """Lay out what does not change from sweep to sweep."""
        model, rows = self.model, self.model.rows
        self.p = rows.design.shape[1]
        self.is_collapsed = self.p <= MOST_COLLAPSED
        self.mixed = np.flatnonzero(model.levels.group >= 0)
        self.starts = model.first_of_pattern
        self.products = Products(rows.design)
        self.reported = Products(model.quantities.matrix)
        self.diagonal = np.arange(self.p)
        self.cells = IntervalCells(rows)
        self.groups = move_groups(model, self.cells) if is_coarse(model) else ()
        persons = np.arange(max(1, len(model.persons)))
        pattern = self.cells.pattern
        self.of_person = np.asarray(
            (rows.person[pattern][:, None] == persons) & (rows.blur_um[pattern] > 0)[:, None],
            dtype=np.float64,
        )
        self.in_group = np.asarray(
            model.levels.group[self.mixed][:, None] == np.arange(len(model.levels.share)), dtype=np.float64
        )

    def _start(self) -> None:
        """Disperse the chains: k and levels from their priors, unknowns from intervals taken for normal.

        An interval counts as its middle with a twelfth of its squared width as variance, a bound as nothing.
        """
        model, rows, rng = self.model, self.model.rows, self.rng
        persons = max(1, len(model.persons))
        self.log_k = np.log(model.k_median) + model.k_log_sd * rng.standard_normal((self.count, persons))
        self.log_share = np.tile(np.log(model.levels.share), (self.count, 1, 1))
        healthy = rng.integers(len(model.levels.healthy_sds_um), size=self.count)
        self.level_precision = np.tile(model.levels.sd**-2.0, (self.count, 1, 1))
        self._set_healthy_spread(healthy)
        self.level = rng.integers(0, 2, size=(self.count, self.p))
        self.prior_precision = np.where(model.levels.group >= 0, self._chosen_precision(), 0.0)
        finite = np.isfinite(rows.width_um)
        width_um = np.where(finite, rows.width_um, 0.0)
        scale = self.row_scale()[:, rows.pattern]
        self.weights = finite / (STUDENT_INFLATION + (width_um / scale) ** 2 / 12)
        self.landings = np.broadcast_to(rows.low_um + width_um / 2, self.weights.shape)
        self._solve()
        if self.is_collapsed:
            self._draw_levels()
        self._draw_unknowns()
        self._draw_landings_and_weights()

    def _chosen_precision(self) -> FloatArray:
        return np.asarray(np.take_along_axis(self.level_precision, self.level[:, :, None], 2)[:, :, 0])

    def row_scale(self) -> FloatArray:
        """Scale (c, q) of the error of a reading on each row of the design. [µm]"""
        rows = self.model.rows
        k = np.exp(self.log_k)[:, rows.person]
        return np.asarray(np.sqrt((k * rows.blur_um) ** 2 + rows.ring_um**2))

    def _solve(self) -> None:
        """Mean (c, p) and covariance (c, p, p) of the unknowns given everything else."""
        model, rows = self.model, self.model.rows
        information = self.row_scale() ** -2.0
        total = information * np.add.reduceat(self.weights, self.starts, axis=1)
        pulled = information * np.add.reduceat(self.weights * self.landings, self.starts, axis=1)
        precision = self.products.summed(total) + model.precision
        precision[:, self.diagonal, self.diagonal] += self.prior_precision
        self.covariance: FloatArray = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        pull = pulled @ rows.design + model.pull
        self.mean = np.matmul(self.covariance, pull[:, :, None])[:, :, 0]

    def _draw_levels(self) -> None:
        """Draw every unknown's level with all unknowns integrated out; update the solution.

        Arrays are laid out (unknown, level, chain) here: the loop is short of numbers and long of calls.
        """
        mixed, mean, covariance = self.mixed, self.mean, self.covariance
        precision = np.ascontiguousarray(self.level_precision[:, mixed].transpose(1, 2, 0))
        share = self.log_share[:, self.model.levels.group[mixed]].transpose(1, 2, 0)
        base = share + 0.5 * np.log(precision)
        prior = np.ascontiguousarray(self.prior_precision[:, mixed].T)
        level = np.ascontiguousarray(self.level[:, mixed].T)
        uniform = self.rng.random(level.shape)
        for i in self.rng.permutation(len(mixed)):
            unit = mixed[i]
            own_mean = mean[:, unit].copy()
            change = precision[i] - prior[i]
            growth = 1.0 + change * covariance[:, unit, unit]
            log_weight = base[i] - 0.5 * (np.log(growth) + change * own_mean**2 / growth)
            drawn = _pick_level(log_weight, uniform[i])
            moved = (drawn != level[i]).nonzero()[0]
            if not len(moved):
                continue
            chosen = drawn[moved]
            level[i, moved] = chosen
            prior[i, moved] = precision[i, chosen, moved]
            reach = covariance[moved, unit]
            scaled = (change[chosen, moved] / growth[chosen, moved])[:, None] * reach
            mean[moved] -= scaled * own_mean[moved, None]
            covariance[moved] -= scaled[:, :, None] * reach[:, None, :]
        self.level[:, mixed], self.prior_precision[:, mixed] = level.T, prior.T

    def _conditionals(self) -> Conditionals:
        quantities = self.model.quantities
        variance = self.reported.variances(self.covariance)
        return Conditionals(
            mean=self.mean @ quantities.matrix.T + quantities.offset,
            sd=np.sqrt(np.maximum(variance, 1e-18)),
        )

    def _draw_unknowns(self) -> None:
        root = np.linalg.cholesky(self.covariance)
        noise = self.rng.standard_normal((self.count, self.p, 1))
        self.unknowns = self.mean + np.matmul(root, noise)[:, :, 0]

    def expected(self) -> FloatArray:
        """Landing (c, q) by the unknowns on each row of the design. [µm]"""
        return np.asarray(self.unknowns @ self.model.rows.design.T)

    def _move(self) -> None:
        """Move the unknowns along fixed directions, with weights, landings and levels integrated out."""
        pattern = self.cells.pattern
        walk = ChainState(
            model=self.model,
            cells=self.cells,
            unknowns=self.unknowns,
            expected=self.expected()[:, pattern],
            scale=self.row_scale()[:, pattern],
            log_share=self.log_share[:, np.maximum(self.model.levels.group, 0)],
            level_precision=self.level_precision,
        )
        walk.sweep(self.groups, self.rng)
        self.unknowns = walk.unknowns

    def _draw_levels_given_unknowns(self) -> None:
        """Draw all levels given the unknowns: the step that has to follow moves without them."""
        precision = self.level_precision[:, self.mixed]
        square = self.unknowns[:, self.mixed, None] ** 2
        share = self.log_share[:, self.model.levels.group[self.mixed]]
        log_weight = 0.5 * (np.log(precision) - precision * square) + share
        shape = log_weight.shape
        drawn = self._pick(log_weight.reshape(-1, shape[2])).reshape(shape[:2])
        self.level[:, self.mixed] = drawn
        self.prior_precision[:, self.mixed] = self._chosen_precision()[:, self.mixed]

    def _draw_k(self) -> None:
        """Metropolis steps of every person's ln k; weights and landings integrated out."""
        expected = self.expected()[:, self.cells.pattern]
        now = self._log_posterior_of_k(expected)
        for _ in range(K_TRIES):
            before = self.log_k
            self.log_k = before + K_STEP * self.rng.standard_normal(before.shape)
            then = self._log_posterior_of_k(expected)
            accepted = np.log(self.rng.random(before.shape)) < then - now
            self.log_k = np.where(accepted, self.log_k, before)
            now = np.where(accepted, then, now)

    def _log_posterior_of_k(self, expected: FloatArray) -> FloatArray:
        """Log density (c, persons) of every person's ln k, up to a constant."""
        scale = self.row_scale()[:, self.cells.pattern]
        likelihood = self.cells.log_likelihood(expected, scale) @ self.of_person
        deviation = (self.log_k - np.log(self.model.k_median)) / self.model.k_log_sd
        return np.asarray(likelihood - 0.5 * deviation**2)

    def _draw_landings_and_weights(self) -> None:
        rows = self.model.rows
        scale, expected = self.row_scale()[:, rows.pattern], self.expected()[:, rows.pattern]
        residual = truncated_draws(
            (rows.low_um - expected) / scale,
            (rows.high_um - expected) / scale,
            self.rng.random(expected.shape),
        )
        self.landings = expected + scale * residual
        self.weights = self.rng.standard_gamma((NU + 1) / 2, size=residual.shape) / ((NU + residual**2) / 2)

    def _draw_shares(self) -> None:
        """Shares (c, groups, 3) of the levels in each group: Dirichlet given the levels."""
        levels = self.model.levels
        counts = np.stack(
            [(self.level[:, self.mixed] == s).astype(np.float64) @ self.in_group for s in range(3)], axis=2
        )
        drawn = self.rng.standard_gamma(levels.concentration * levels.share + counts)
        drawn = np.maximum(drawn, 1e-12)
        self.log_share = np.log(drawn / drawn.sum(2, keepdims=True))

    def _draw_healthy_spread(self) -> None:
        """Spread of healthy lenses, one of a few values, given the lenses' errors and levels."""
        levels = self.model.levels
        if not len(levels.learned) or len(levels.healthy_sds_um) < 2:
            return
        healthy = self.level[:, levels.learned] == 0
        square = (healthy * self.unknowns[:, levels.learned] ** 2).sum(1)[:, None]
        sds = levels.healthy_sds_um
        self._set_healthy_spread(self._pick(-healthy.sum(1)[:, None] * np.log(sds) - 0.5 * square / sds**2))
        self.prior_precision[:, levels.learned] = self._chosen_precision()[:, levels.learned]

    def _set_healthy_spread(self, index: IntArray) -> None:
        levels = self.model.levels
        if len(levels.learned):
            self.level_precision[:, levels.learned, 0] = levels.healthy_sds_um[index][:, None] ** -2

    def _pick(self, log_weight: FloatArray) -> IntArray:
        """Index drawn from each row of log weights (m, options)."""
        cumulative = np.cumsum(np.exp(log_weight - log_weight.max(1, keepdims=True)), axis=1)
        level = self.rng.random((len(cumulative), 1)) * cumulative[:, -1:]
        return np.asarray((level > cumulative).sum(1), dtype=np.intp)


def _pick_level(log_weight: FloatArray, uniform: FloatArray) -> IntArray:
    """Level (c,) drawn by log weights (3, c) and uniforms (c,)."""
    healthy, off, wild = np.exp(log_weight - log_weight.max(0))
    off += healthy
    drawn = uniform * (off + wild)
    return np.asarray((drawn > healthy).astype(np.intp) + (drawn > off))
