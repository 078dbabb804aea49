"""Sensor tilt from the peaks of the stars: a plane, with r² for field curvature where the stars determine it.

The stars' errors are not independent: a frame's position error moves all of them. All stars are fitted as
one with that common error, and intervals are clustered by frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.focus.clustered_least_squares import FrameGls, clustered_sd, t_quantile
from shimwise.imaging.focus.peak import PeakFit
from shimwise.imaging.focus.ring_model import Linearised

FloatArray = NDArray[np.float64]

JOINT_REFINEMENTS = 2


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

    ``tilt_x`` and ``tilt_y`` are None with fewer than three stars or with stars on one line;
    ``curvature`` is None where the stars do not determine it.
    """

    centre: Estimate
    tilt_x: Estimate | None
    tilt_y: Estimate | None
    curvature: Estimate | None


@dataclass(frozen=True)
class JointPeaks:
    """All stars fitted as one, each frame's position error common to them.

    ``best_um`` are the stars' peaks; ``interval`` returns any weighted sum of them with its uncertainty.
    """

    best_um: FloatArray
    gls: FrameGls
    gradients: FloatArray

    @classmethod
    def of(cls, fits: Sequence[PeakFit]) -> JointPeaks:
        """Fit the stars as one, from their own fits.

        Position errors move all stars of a frame alike, so that differences between stars (tilt) are free of
        them as far as the joint fit knows them; each star's own fit cannot. Slopes are taken at
        the corrected positions of the frames, which removes the second-order effect of these errors.
        """
        linear = [fit.linear for fit in fits]
        gls = _stacked(linear)
        for _ in range(JOINT_REFINEMENTS):
            ends = np.cumsum([part.design.shape[2] for part in linear])
            steps = np.split(gls.step, ends[:-1])
            linear = [part.moved(step, gls.common_error) for part, step in zip(linear, steps, strict=True)]
            gls = _stacked(linear)
        gradients = np.array(
            [_spread(part.gradient, k, linear) for k, part in enumerate(linear)], dtype=np.float64
        )
        best = np.array([part.best_um for part in linear]) + gradients @ gls.step
        return cls(best, gls, gradients)

    def interval(
        self, weights: FloatArray, value_um: float, *, extra_variance: float = 0.0, confidence: float = 0.95
    ) -> Estimate:
        """Uncertainty of a weighted sum of the stars' peaks, centred on ``value_um``."""
        influence, freedom = self.gls.influence(weights @ self.gradients)
        sd = float(np.hypot(clustered_sd(influence), np.sqrt(extra_variance)))
        half = t_quantile(confidence, freedom) * sd
        return Estimate(value_um, sd, value_um - half, value_um + half)


def fit_field(
    px: FloatArray,
    peaks: JointPeaks,
    *,
    share_um: FloatArray,
    size_px: tuple[int, int],
    radius_px: FloatArray,
    extra_variance: tuple[float, float] = (0.0, 0.0),
    confidence: float = 0.95,
) -> FieldFit:
    """Fit a plane, or a plane and r², to the stars' peaks.

    Parameters
    ----------
    px : ndarray
        Centres of the stars, (stars, 2).
    peaks : JointPeaks
        Their peaks.
    share_um : ndarray
        What of each peak is the chart's own turn; taken out.
    size_px : tuple of int
        Width and height of the frame.
    radius_px : ndarray
        Root mean square radius of each star's rings: over a star, r² is larger than at its centre.
    extra_variance : tuple of float
        Variance that the chart's turn adds to tilt_x and tilt_y, µm².
    confidence : float
        Of the intervals.
    """
    design, names = _design(px, size_px, radius_px)
    own = np.array([peaks.interval(row, 0.0).sd_um for row in np.eye(len(px))])
    root = 1.0 / np.maximum(own, 0.3 * float(own.max()) + 1e-12)
    maker = np.linalg.pinv(design * root[:, None]) * root
    value = maker @ (peaks.best_um - share_um)
    added = {"tilt_x": extra_variance[0], "tilt_y": extra_variance[1]}
    fitted = {
        name: peaks.interval(
            maker[k], float(value[k]), extra_variance=added.get(name, 0.0), confidence=confidence
        )
        for k, name in enumerate(names)
    }
    return FieldFit(fitted["centre"], fitted.get("tilt_x"), fitted.get("tilt_y"), fitted.get("curvature"))


def _stacked(linear: Sequence[Linearised]) -> FrameGls:
    """All stars in one step, each with its own unknowns, the frames' position errors common to them."""
    return FrameGls.estimate(
        np.concatenate([part.residual for part in linear], axis=1),
        np.concatenate([_spread(part.design, k, linear) for k, part in enumerate(linear)], axis=1),
        common=np.concatenate([part.common for part in linear], axis=1),
    )


def _spread(own: FloatArray, star: int, linear: Sequence[Linearised]) -> FloatArray:
    """Put a star's own unknowns (last axis) at their place among those of all stars."""
    counts = [part.design.shape[2] for part in linear]
    out = np.zeros((*own.shape[:-1], sum(counts)))
    begin = sum(counts[:star])
    out[..., begin : begin + counts[star]] = own
    return out


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
