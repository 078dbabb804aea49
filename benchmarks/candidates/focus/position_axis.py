"""Frames averaged on the position axis: what each frame says of the peak, and how far it can be trusted.

A frame's residuals along the slope by position are one number, how far the frame stands from where it was
recorded. Its variance is that of the recorded positions and, beside it, of the curves: s_p² + q·s²/P. A
frame at the peak, where nothing changes with position, has next to no P and cannot outweigh the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Variances", "fit_variances", "frame_variance", "position_weight"]

FloatArray = NDArray[np.float64]

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
    grid_v, grid_q = np.meshgrid(variance, factor, indexing="ij")
    total = share * (grid_v[..., None] / weight + grid_q[..., None] * noise)
    inverse = 1.0 / np.maximum(total, 1e-30)
    mean = np.sum(inverse * offset, axis=-1) / np.sum(inverse, axis=-1)
    deviance = np.sum(np.log(total), axis=-1) + np.log(np.sum(inverse, axis=-1))
    deviance += np.sum(inverse * (offset - mean[..., None]) ** 2, axis=-1)
    deviance += 2.0 * np.log1p(grid_v / usual)
    at = np.unravel_index(int(np.argmin(deviance)), deviance.shape)
    return Variances(float(grid_v[at]), float(grid_q[at]), curve)
