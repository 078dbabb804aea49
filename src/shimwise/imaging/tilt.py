"""Sensor tilt from the peaks of the stars: a plane, with r² for field curvature where the stars can tell it.

The stars' errors are not independent: a frame's position error moves all of them. Each star brings its
influence of every frame; the plane's interval adds them frame by frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.clusters import clustered_sd, t_quantile

__all__ = ["Estimate", "FieldFit", "fit_field"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and 95 % interval, µm."""

    value_um: float
    sd_um: float
    low_um: float
    high_um: float


@dataclass(frozen=True, slots=True)
class FieldFit:
    """Best focus at the frame's centre; right less left edge, bottom less top, corner less centre.

    ``tilt_x`` and ``tilt_y`` are None where fewer than three stars, or stars on one line, cannot tell them;
    ``curvature`` is None where the stars cannot tell it.
    """

    centre: Estimate
    tilt_x: Estimate | None
    tilt_y: Estimate | None
    curvature: Estimate | None


def fit_field(
    px: FloatArray,
    best_um: FloatArray,
    influence_um: FloatArray,
    *,
    size_px: tuple[int, int],
    freedom: float,
    radius_px: FloatArray,
    extra_variance: tuple[float, float] = (0.0, 0.0),
    confidence: float = 0.95,
) -> FieldFit:
    """Fit a plane, or a plane and r², to the stars' peaks.

    Parameters
    ----------
    px : ndarray
        Centres of the stars, (stars, 2).
    best_um : ndarray
        Their peaks, the chart's own share removed.
    influence_um : ndarray
        (stars, frames): how each frame's residual moves each peak.
    size_px : tuple of int
        Width and height of the frame.
    freedom : float
        Degrees of freedom of the intervals.
    radius_px : ndarray
        Root mean square radius of each star's rings: over a star, r² is larger than at its centre.
    extra_variance : tuple of float
        Variance that the chart's turn adds to tilt_x and tilt_y, µm².
    confidence : float
        Of the intervals.
    """
    design, names = _design(px, size_px, radius_px)
    sd = np.sqrt(np.sum(influence_um**2, axis=1))
    root = 1.0 / np.maximum(sd, 0.05 * float(sd.max()) + 1e-12)
    maker = np.linalg.pinv(design * root[:, None]) * root
    value, influence = maker @ best_um, maker @ influence_um
    t = t_quantile(confidence, freedom)
    added = {"tilt_x": extra_variance[0], "tilt_y": extra_variance[1]}
    told: dict[str, Estimate] = {}
    for k, name in enumerate(names):
        spread = float(np.hypot(clustered_sd(influence[k]), np.sqrt(added.get(name, 0.0))))
        told[name] = Estimate(
            float(value[k]), spread, float(value[k] - t * spread), float(value[k] + t * spread)
        )
    return FieldFit(told["centre"], told.get("tilt_x"), told.get("tilt_y"), told.get("curvature"))


def _design(px: FloatArray, size_px: tuple[int, int], radius_px: FloatArray) -> tuple[FloatArray, list[str]]:
    width, height = size_px
    x, y = (px[:, 0] - (width - 1) / 2) / width, (px[:, 1] - (height - 1) / 2) / height
    corner = (width**2 + height**2) / 4
    squared = ((x * width) ** 2 + (y * height) ** 2 + radius_px**2) / corner
    one = np.ones_like(x)
    for columns, names in (
        ([one, x, y, squared], ["centre", "tilt_x", "tilt_y", "curvature"]),
        ([one, x, y], ["centre", "tilt_x", "tilt_y"]),
    ):
        design = np.column_stack(columns)
        if px.shape[0] >= len(columns) and np.linalg.cond(design) < 60.0:
            return design, names
    nearest = np.argmin(np.hypot(x * width, y * height))
    return (np.arange(px.shape[0]) == nearest).astype(np.float64)[:, None], ["centre"]
