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

from shimwise.inference.model.kinds import FloatArray, IntArray
from shimwise.inference.model.mixture import MixtureModel
from shimwise.inference.model.priors import NU
from shimwise.inference.posterior.moves import Cells, Move, is_coarse, moves
from shimwise.inference.posterior.student import truncated_draws

K_STEP = 0.35
"""Standard deviation of a proposal of ln k."""
K_TRIES = 2
MOST_COLLAPSED = 250
"""Up to this many unknowns levels are drawn with the errors integrated out; beyond, given the errors."""
MOST_PRODUCTS = 20_000_000
"""Numbers in the table of the design's products, above which it is not kept."""
MOVES = 14
"""Directions tried in one sweep on coarse rulers."""
PRIOR_PROPOSALS = 6
"""Unknowns proposed from their priors in one sweep on coarse rulers."""
MOVE_SIZES = np.array([0.6, 1.5, 3.5, 10.0])
"""Sizes of a move, in standard deviations of an approximate posterior along its direction."""


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
        is_collapsed = self.p <= MOST_COLLAPSED
        for unit in self.rng.permutation(self.mixed) if is_collapsed else ():
            self._draw_level(int(unit))
        found = self._conditionals()
        self._draw_unknowns()
        if not is_collapsed:
            self._draw_levels_given_unknowns()
        if self.is_coarse:
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
        q, p = rows.design.shape
        self.p = p
        self.mixed = np.flatnonzero(model.levels.group >= 0)
        self.starts = model.first_of_pattern
        self.products = (
            (rows.design[:, :, None] * rows.design[:, None, :]).reshape(q, p * p)
            if q * p * p <= MOST_PRODUCTS
            else None
        )
        self.diagonal = np.arange(p)
        self.is_coarse = is_coarse(model)
        self.cells = Cells(rows)
        self.moves = moves(model, self.cells) if self.is_coarse else ()
        persons = np.arange(max(1, len(model.persons)))
        pattern = rows.pattern[self.cells.first]
        self.of_person = np.asarray(
            (rows.person[pattern][:, None] == persons) & (rows.blur_um[pattern] > 0)[:, None],
            dtype=np.float64,
        )
        self.in_group = np.asarray(
            model.levels.group[self.mixed][:, None] == np.arange(len(model.levels.share)), dtype=np.float64
        )

    def _start(self) -> None:
        """Disperse the chains: k, shares and levels from their priors, landings inside their intervals."""
        model, rows, rng = self.model, self.model.rows, self.rng
        shape = (self.count, len(rows.pattern))
        persons = max(1, len(model.persons))
        self.log_k = np.log(model.k_median) + model.k_log_sd * rng.standard_normal((self.count, persons))
        self.weights = np.ones(shape)
        self.landings = rows.low_um + rng.random(shape) * np.minimum(rows.width_um, self.scale())
        finite = np.isfinite(rows.high_um)
        self.landings[:, finite] = (
            rows.low_um[finite] + rng.random((self.count, int(finite.sum()))) * rows.width_um[finite]
        )
        self.log_share = np.tile(np.log(model.levels.share), (self.count, 1, 1))
        healthy = rng.integers(len(model.levels.healthy_sds_um), size=self.count)
        self.level_precision = np.tile(model.levels.sd**-2.0, (self.count, 1, 1))
        self._set_healthy_spread(healthy)
        self.level = rng.integers(0, 2, size=(self.count, self.p))
        self.prior_precision = np.where(model.levels.group >= 0, self._chosen_precision(), 0.0)

    def _chosen_precision(self) -> FloatArray:
        return np.asarray(np.take_along_axis(self.level_precision, self.level[:, :, None], 2)[:, :, 0])

    def scale(self) -> FloatArray:
        """Scale (c, n) of each reading's error. [µm]"""
        rows = self.model.rows
        k = np.exp(self.log_k)[:, rows.person]
        return np.asarray(np.sqrt((k * rows.blur_um) ** 2 + rows.ring_um**2)[:, rows.pattern])

    def _solve(self) -> None:
        """Mean (c, p) and covariance (c, p, p) of the unknowns given everything else."""
        model, rows = self.model, self.model.rows
        information = self.weights / self.scale() ** 2
        total = np.add.reduceat(information, self.starts, axis=1)
        pulled = np.add.reduceat(information * self.landings, self.starts, axis=1)
        precision = self._information(total) + model.precision
        precision[:, self.diagonal, self.diagonal] += self.prior_precision
        self.covariance = np.linalg.inv(precision)
        pull = pulled @ rows.design + model.pull
        self.mean = np.matmul(self.covariance, pull[:, :, None])[:, :, 0]

    def _information(self, total: FloatArray) -> FloatArray:
        """Return the precision (c, p, p) of the readings, from the information (c, q) on each row."""
        if self.products is not None:
            return np.asarray((total @ self.products).reshape(self.count, self.p, self.p))
        design = self.model.rows.design
        return np.asarray(np.stack([(design.T * one) @ design for one in total]))

    def _draw_level(self, unit: int) -> None:
        """Draw one unknown's level with all unknowns integrated out; update the solution."""
        variance, mean = self.covariance[:, unit, unit], self.mean[:, unit]
        precision = self.level_precision[:, unit]
        change = precision - self.prior_precision[:, unit, None]
        growth = 1.0 + change * variance[:, None]
        log_weight = 0.5 * (np.log(precision / growth) - change * (mean * mean)[:, None] / growth)
        log_weight += self.log_share[:, self.model.levels.group[unit]]
        level = self._pick(log_weight)
        moved = np.flatnonzero(level != self.level[:, unit])
        if not len(moved):
            return
        chosen = level[moved]
        self.level[moved, unit] = chosen
        self.prior_precision[moved, unit] = precision[moved, chosen]
        factor = change[moved, chosen] / growth[moved, chosen]
        reach = self.covariance[moved, :, unit]
        scaled = factor[:, None] * reach
        self.mean[moved] -= scaled * mean[moved, None]
        self.covariance[moved] -= scaled[:, :, None] * reach[:, None, :]

    def _conditionals(self) -> Conditionals:
        quantities = self.model.quantities
        reach = np.matmul(self.covariance, quantities.matrix.T)
        variance = (reach * quantities.matrix.T).sum(1)
        return Conditionals(
            mean=self.mean @ quantities.matrix.T + quantities.offset,
            sd=np.sqrt(np.maximum(variance, 1e-18)),
        )

    def _draw_unknowns(self) -> None:
        root = np.linalg.cholesky(self.covariance)
        noise = self.rng.standard_normal((self.count, self.p, 1))
        self.unknowns = self.mean + np.matmul(root, noise)[:, :, 0]

    def expected(self) -> FloatArray:
        """Landing (c, n) of each reading by the unknowns. [µm]"""
        return np.asarray((self.unknowns @ self.model.rows.design.T)[:, self.model.rows.pattern])

    def _log_level_weights(self, unknowns: FloatArray) -> FloatArray:
        """Log of π_s N(x; 0, σ_s²) (c, mixed, 3) of every unknown with levels."""
        precision = self.level_precision[:, self.mixed]
        square = unknowns[:, self.mixed, None] ** 2
        return np.asarray(
            0.5 * (np.log(precision) - precision * square)
            + self.log_share[:, self.model.levels.group[self.mixed]]
        )

    def _move(self) -> None:
        """Metropolis moves along fixed directions, and proposals of single unknowns from their priors.

        Weights, landings and levels are integrated out. A unit that only bounds reach (INF) has a long tail:
        steps creep in and out of it, a value drawn from its prior does so at once.
        """
        state = _MoveState.of(self)
        for i in self.rng.permutation(len(self.moves))[:MOVES]:
            size = self.rng.choice(MOVE_SIZES, size=self.count) * self.rng.standard_normal(self.count)
            self._try_move(state, self.moves[i], size, is_from_prior=False)
        for unit in self.rng.permutation(self.mixed)[:PRIOR_PROPOSALS]:
            move = self.moves[unit]  # the first moves are those of each unknown alone
            size = (self._drawn_from_prior(unit) - self.unknowns[:, unit]) / move.step[0]
            self._try_move(state, move, size, is_from_prior=True)

    def _drawn_from_prior(self, unit: int) -> FloatArray:
        """One value (c,) of an unknown from its levels and their shares."""
        level = self._pick(self.log_share[:, self.model.levels.group[unit]])
        precision = np.take_along_axis(self.level_precision[:, unit], level[:, None], 1)[:, 0]
        return np.asarray(self.rng.standard_normal(self.count) / np.sqrt(precision))

    def _try_move(self, state: "_MoveState", move: Move, size: FloatArray, *, is_from_prior: bool) -> None:
        """Accept or refuse one move of ``size`` (c,); the prior cancels where the proposal came from it."""
        shifted = state.expected[:, move.cells] + size[:, None] * move.shift
        then = self.cells.log_likelihood(shifted, state.scale[:, move.cells], move.cells)
        before = self.unknowns[:, move.columns]
        after = before + size[:, None] * move.step
        gain = (then - state.likelihood[:, move.cells]).sum(1)
        gain -= size * (state.slope[:, move.columns] @ move.step) + 0.5 * size**2 * move.curvature
        if not is_from_prior:
            share, precision = state.log_share[:, move.mixed], self.level_precision[:, move.mixed]
            gain += _log_mixture(after[:, move.is_mixed], precision, share)
            gain -= _log_mixture(before[:, move.is_mixed], precision, share)
        taken = np.flatnonzero(np.log(self.rng.random(self.count)) < gain)
        self.unknowns[np.ix_(taken, move.columns)] = after[taken]
        state.expected[np.ix_(taken, move.cells)] = shifted[taken]
        state.likelihood[np.ix_(taken, move.cells)] = then[taken]
        state.slope[taken] += size[taken, None] * move.pressure

    def _draw_levels_given_unknowns(self) -> None:
        """Draw all levels given the unknowns: the step that has to follow moves without them."""
        log_weight = self._log_level_weights(self.unknowns)
        shape = log_weight.shape
        drawn = self._pick(log_weight.reshape(-1, shape[2])).reshape(shape[:2])
        self.level[:, self.mixed] = drawn
        self.prior_precision[:, self.mixed] = self._chosen_precision()[:, self.mixed]

    def _draw_k(self) -> None:
        """Metropolis steps of every person's ln k; weights and landings integrated out."""
        expected = self.expected()[:, self.cells.first]
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
        first = self.cells.first
        likelihood = self.cells.log_likelihood(expected, self.scale()[:, first]) @ self.of_person
        deviation = (self.log_k - np.log(self.model.k_median)) / self.model.k_log_sd
        return np.asarray(likelihood - 0.5 * deviation**2)

    def _draw_landings_and_weights(self) -> None:
        rows, scale, expected = self.model.rows, self.scale(), self.expected()
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


@dataclass(frozen=True, slots=True)
class _MoveState:
    """What moves keep up to date, per chain and cell: expected landing, error scale, log likelihood.

    ``slope`` (c, p): gradient of the Gaussian information; ``log_share`` (c, p, 3) of the levels.
    """

    expected: FloatArray
    scale: FloatArray
    likelihood: FloatArray
    slope: FloatArray
    log_share: FloatArray

    @classmethod
    def of(cls, chains: Chains) -> "_MoveState":
        first, model = chains.cells.first, chains.model
        scale, expected = chains.scale()[:, first], chains.expected()[:, first]
        return cls(
            expected=expected,
            scale=scale,
            likelihood=chains.cells.log_likelihood(expected, scale),
            slope=chains.unknowns @ model.precision - model.pull,
            log_share=chains.log_share[:, np.maximum(model.levels.group, 0)],
        )


def _log_mixture(unknowns: FloatArray, precision: FloatArray, log_share: FloatArray) -> FloatArray:
    """Log prior density (c,) of unknowns (c, m), levels (c, m, 3) integrated out, up to a constant."""
    square = unknowns[:, :, None] ** 2
    density = np.exp(log_share - 0.5 * precision * square) * np.sqrt(precision)
    return np.asarray(np.log(np.maximum(density.sum(2), 1e-300)).sum(1))
