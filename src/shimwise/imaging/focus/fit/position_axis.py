"""Frames averaged on the position axis: what each frame adds to the peak, and how far it can be trusted.

A frame's residuals along the slope by position are one number, how far the frame is from where it was
recorded. Its variance is that of the recorded positions and, beside it, of the curves: s_p² + q·s²/P. A
frame at the peak, where nothing changes with position, has next to no P and cannot outweigh the others.
"""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN202

from dataclasses import dataclass

import numpy as np
from numba import njit

from shimwise.arrays import FloatArray

MAX_CURVE_FACTOR = 100.0
T_FREEDOM = 8.0
POSITION_SHARE = 0.1
"""Usual error of a recorded position as a share of a step: the scale of a half-Cauchy prior, so that
misfit of the curves is not read as positions off by several steps."""


@dataclass(frozen=True, slots=True)
class Variances:
    """Variance of the recorded positions s_p² [µm²], the factor q, and s² of a modulation on one pixel."""

    position_um2: float
    curve_factor: float
    curve: float


def frame_variance(
    variances: Variances, precision: FloatArray, weight: FloatArray | float = 1.0
) -> FloatArray:
    """Return the variance of each frame's offset, s_p²/weight + q·s²/P, (frames,). [µm²]"""
    curve = variances.curve_factor * variances.curve / np.maximum(precision, 1e-30)
    return np.asarray(variances.position_um2 / weight + curve)


def position_weight(offset_um: FloatArray, variances: Variances, precision: FloatArray) -> FloatArray:
    """Return weights by a t distribution with 8 degrees of freedom for offsets from the mean, (frames,).

    References
    ----------
    .. [1] K. L. Lange, R. J. A. Little, J. M. G. Taylor, "Robust statistical modeling using the t
    distribution",
       J. Am. Stat. Assoc. 84 (1989).
    """
    deviation = offset_um**2 / np.maximum(frame_variance(variances, precision), 1e-30)
    return np.asarray((T_FREEDOM + 1.0) / (T_FREEDOM + deviation))


def fit_variances(
    offset_um: FloatArray,
    precision: FloatArray,
    curve: float,
    *,
    left_share: FloatArray,
    weight: FloatArray,
    step_um: float,
) -> Variances:
    """Estimate s_p² and q by restricted likelihood.

    Parameters
    ----------
    offset_um : ndarray
        How far the peak seems to lie beyond the trial one in each frame, (frames,), µm.
    precision : ndarray
        P of each frame, (frames,), 1/µm² per unit of s².
    curve : float
        s², the mean square of the residuals with their part along the slope taken out.
    left_share : ndarray
        Share of each frame's own offset that the free even part leaves, (frames,).
    weight : ndarray
        Weight of each frame's offset, (frames,); 0 leaves a frame out.
    step_um : float
        Usual step of the sweep, µm.

    References
    ----------
    .. [1] D. A. Harville, "Maximum likelihood approaches to variance component estimation", J. Am. Stat.
    Assoc.
       72 (1977): restricted likelihood.
    """
    use = weight > 0.0
    offset, precision, weight = offset_um[use], np.maximum(precision[use], 1e-30), weight[use]
    share = np.clip(left_share[use], 0.2, 1.0)
    noise = curve / precision
    scale = max(float(np.var(offset)), float(np.median(noise)), 1e-12)
    usual = (POSITION_SHARE * step_um) ** 2
    variance = np.concatenate([[0.0], scale * np.geomspace(1e-5, 6.0, 40)])
    factor = np.geomspace(1.0, MAX_CURVE_FACTOR, 15)
    v, q = _least_deviance(offset, noise, weight, share, variance, factor, usual)
    return Variances(float(variance[v]), float(factor[q]), curve)


@njit(cache=True)
def _least_deviance(offset, noise, weight, share, variances, factors, usual):  # type: ignore[no-untyped-def]
    """Places of the variance and the factor of least restricted deviance."""
    least, best_v, best_q = np.inf, 0, 0
    for v in range(variances.size):
        for q in range(factors.size):
            sum_log, sum_inverse, sum_first, sum_second = 0.0, 0.0, 0.0, 0.0
            for k in range(offset.size):
                total = max(share[k] * (variances[v] / weight[k] + factors[q] * noise[k]), 1e-30)
                sum_log += np.log(total)
                sum_inverse += 1.0 / total
                sum_first += offset[k] / total
                sum_second += offset[k] ** 2 / total
            deviance = sum_log + np.log(sum_inverse) + sum_second - sum_first**2 / sum_inverse
            deviance += 2.0 * np.log1p(variances[v] / usual)
            if deviance < least:
                least, best_v, best_q = deviance, v, q
    return best_v, best_q
