"""How far a peak can be trusted: every frame left out in turn, and a floor for what a wrong law can do."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.imaging.focus.fit.star_fit import W040_SPREAD, StarFit, normal_equations
from shimwise.imaging.focus.lens.law import wave_depth_um

FLOOR_SHARE = 0.0025
"""Bias that a law misfit may leave, as a share of 8 N² λ; twice as much is the floor of a half width."""

FLOOR_W040 = 0.1
"""Aberration at which the floor has doubled, waves."""


@dataclass(frozen=True, slots=True)
class Influence:
    """The peak [µm] and W040 [waves] without each frame, (frames,), as steps; ``used``: which count."""

    best_um: FloatArray
    w040: FloatArray
    used: BoolArray

    def variance(self, values: FloatArray) -> float:
        """Return the delete-one variance of a quantity from its values without each frame, (frames,)."""
        kept = values[self.used]
        return float((kept.size - 1) / kept.size * np.sum((kept - kept.mean()) ** 2))


def influence_of(fit: StarFit) -> Influence:
    """Compute the peak without each frame in turn, by one Newton step with all even parts fitted anew.

    References
    ----------
    .. [1] B. Efron, *The Jackknife, the Bootstrap and Other Resampling Plans*, SIAM (1982), chapter 3.
    """
    linear, trust = fit.linear, fit.trust
    gram, right, prior = normal_equations(linear, fit.offsets.coefficients, trust, fit.ridge)
    target = np.stack([linear.rest, linear.by_best, linear.by_w040])
    weighted = trust[:, None, None] * linear.terms
    outer = np.einsum("kja,kjb->kjab", weighted, linear.terms)
    inverse = np.linalg.inv((gram + prior)[None] - outer)
    without = right[None] - np.einsum("kja,tkj->ktja", weighted, target)
    solution = np.einsum("djab,dtjb->dtja", inverse, without)
    left = target[None] - np.einsum("kja,dtja->dtkj", linear.terms, solution, optimize=True)
    precision = fit.offsets.precision
    along = np.einsum("kj,dtkj->dtk", linear.by_best, left) / precision
    across = left - along[..., None] * linear.by_best
    frames = trust.size
    keep = 1.0 - np.eye(frames)
    bend = np.einsum("dk,k,dkj->dkj", keep, trust, across[:, 2])
    curve = max(fit.variances.curve, 1e-30)
    pull = np.einsum("dkj,dkj->d", bend, across[:, 0]) / curve - fit.state.w040 / W040_SPREAD**2
    power = np.einsum("dkj,dkj->d", bend, across[:, 2]) / curve + 1.0 / W040_SPREAD**2
    by_w = pull / power
    share = keep * fit.frame_weight
    observed = along[:, 0] + fit.shift_um - along[:, 2] * by_w[:, None]
    best = np.sum(share * observed, axis=1) / np.maximum(np.sum(share * along[:, 1], axis=1), 1e-30)
    return Influence(best, by_w, trust > 0.0)


def peak_variance(fit: StarFit, influence: Influence) -> float:
    """Return the variance of the peak: the larger of the delete-one one and that of the weighted mean. [µm²]

    Deletions of a dozen frames scatter by a fifth themselves; the mean's own variance keeps a lucky set of
    frames from passing for a sharp answer.
    """
    return max(influence.variance(influence.best_um), 1.0 / max(float(fit.frame_weight.sum()), 1e-30))


def floor_um(fnumber: float, w040_waves: float) -> float:
    """Return the least half width of a 95 % interval, 2 × .0025·8N²λ, doubled with a tenth of a wave. [µm]"""
    share = 1.0 + min(abs(w040_waves) / FLOOR_W040, 1.0)
    return 2.0 * FLOOR_SHARE * wave_depth_um(fnumber) * share


@lru_cache(maxsize=64)
def t_quantile(freedom: float) -> float:
    """Return the two-sided quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(max(freedom, 1.0), 0.975))
