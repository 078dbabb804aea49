"""Metropolis moves of the unknowns on coarse rulers, where the latent landings would hold them.

Weights, landings and levels are integrated out; directions that touch different readings are tried at once,
each accepted or refused by itself. A unit that only bounds reach (INF) has a long tail: steps creep in and
out of it, a value drawn from its prior does so at once.
"""

from collections.abc import Sequence
from typing import TypeVar

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.model.mixture import MixtureModel
from shimwise.inference.posterior.moves import IntervalCells, MoveGroup

MOVE_SIZES = np.array([0.6, 1.5, 3.5, 10.0])
"""Sizes of a move, in standard deviations of an approximate posterior along its direction."""
JUMPS, EXCHANGES = 3, 3
"""Groups drawn from their priors, and groups of exchanges, tried in one sweep."""


class ChainState:
    """State of the moves of c chains: ``unknowns`` (c, p), expected landings and likelihoods of u cells.

    ``scale`` (c, u) of each cell's error; ``log_share`` and ``level_precision`` (c, p, 3) of the levels, NaN
    where an unknown has none.
    """

    def __init__(
        self,
        *,
        model: MixtureModel,
        cells: IntervalCells,
        unknowns: FloatArray,
        expected: FloatArray,
        scale: FloatArray,
        log_share: FloatArray,
        level_precision: FloatArray,
    ) -> None:
        self.cells, self.unknowns, self.expected, self.scale = cells, unknowns, expected, scale
        self.share = np.exp(log_share)
        self.precision = np.where(np.isnan(level_precision), 1.0, level_precision)
        self.height = self.share * np.sqrt(self.precision)
        self.likelihood = cells.log_likelihood(expected, scale)
        self.log_prior = self._log_prior(unknowns, np.arange(unknowns.shape[1]))
        self.slope = unknowns @ model.precision - model.pull

    def sweep(self, groups: Sequence[MoveGroup], rng: np.random.Generator) -> None:
        """Try every unknown by a step, some from their priors, and some exchanges, in random order."""
        steps = [(group, False) for group in groups if not group.is_exchange]
        jumps = [(group, True) for group in groups if group.can_jump]
        exchanges = [(group, False) for group in groups if group.is_exchange]
        tried = [*steps, *_some(jumps, JUMPS, rng), *_some(exchanges, EXCHANGES, rng)]
        for group, is_from_prior in _some(tried, len(tried), rng):
            self._try(group, rng, is_from_prior=is_from_prior)

    def _try(self, group: MoveGroup, rng: np.random.Generator, *, is_from_prior: bool) -> None:
        """Accept or refuse each move of a group; the prior cancels where the proposal came from it."""
        shape = (len(self.unknowns), group.count)
        before = self.unknowns[:, group.columns]
        if is_from_prior:
            size = (self._drawn_from_prior(group.columns, rng) - before) / group.step
            size = size[:, np.argsort(group.mover)]
        else:
            size = MOVE_SIZES[rng.integers(len(MOVE_SIZES), size=shape)] * rng.standard_normal(shape)
        after = before + size[:, group.mover] * group.step
        shifted = self.expected[:, group.cells] + size[:, group.toucher] * group.shift
        prior, prior_before = self._log_prior(after, group.columns), self.log_prior[:, group.columns]
        likelihood_before = self.likelihood[:, group.cells]
        likelihood = self.cells.log_likelihood(shifted, self.scale[:, group.cells], group.cells)
        gain = (likelihood - likelihood_before) @ group.of_cell
        gain -= size * (self.slope @ group.direction.T) + 0.5 * size**2 * group.curvature
        if not is_from_prior:
            gain += (prior - prior_before) @ group.of_column
        taken = np.log(rng.random(shape)) < gain
        moved, touched = taken[:, group.mover], taken[:, group.toucher]
        self.unknowns[:, group.columns] = np.where(moved, after, before)
        self.log_prior[:, group.columns] = np.where(moved, prior, prior_before)
        self.expected[:, group.cells] = np.where(touched, shifted, self.expected[:, group.cells])
        self.likelihood[:, group.cells] = np.where(touched, likelihood, likelihood_before)
        self.slope += (taken * size) @ group.pressure

    def _drawn_from_prior(self, columns: IntArray, rng: np.random.Generator) -> FloatArray:
        """One value (c, j) of each unknown from its levels and their shares."""
        share = self.share[:, columns].cumsum(2)
        uniform = rng.random(share.shape[:2]) * share[:, :, 2]
        level = (uniform > share[:, :, 0]).astype(np.intp) + (uniform > share[:, :, 1])
        precision = np.take_along_axis(self.precision[:, columns], level[:, :, None], 2)[:, :, 0]
        return np.asarray(rng.standard_normal(level.shape) / np.sqrt(precision))

    def _log_prior(self, unknowns: FloatArray, columns: IntArray) -> FloatArray:
        """Log prior density (c, j) of unknowns, levels integrated out, up to a constant."""
        square = -0.5 * unknowns[:, :, None] ** 2
        density = self.height[:, columns] * np.exp(self.precision[:, columns] * square)
        return np.asarray(np.log(np.maximum(density.sum(2), 1e-300)))


_Item = TypeVar("_Item")


def _some(of: Sequence[_Item], count: int, rng: np.random.Generator) -> list[_Item]:
    """Return at most ``count`` of a sequence, in random order."""
    return [of[i] for i in rng.permutation(len(of))[:count]]
