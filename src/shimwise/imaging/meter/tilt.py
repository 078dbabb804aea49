"""Tilt, live: how best focus differs between the stars of a feed."""

import math
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.chart.pose import MIN_POINTS, chart_share_um, fit_pose
from shimwise.imaging.focus.tilt import field_design

LEAST_SD_SHARE = 0.3
"""Least deviation of a star in the weights, by the median of all."""
STAR_SD_PX = 0.02
"""Uncertainty of a star's place in the picture, for the chart's turn."""


@dataclass(frozen=True, slots=True)
class LiveTilt:
    """Best focus at the right edge less that at the left, at the bottom less the top, with their sd. [µm]

    As of a sweep: places of the sensor, away from the lens is +. ``is_chart_out``: whether the chart's own
    turn was taken out.
    """

    x_um: float
    x_sd_um: float
    y_um: float
    y_sd_um: float
    is_chart_out: bool


def live_tilt(
    chart_mm: FloatArray,
    px: FloatArray,
    difference_um: FloatArray,
    sd_um: FloatArray,
    *,
    size_px: tuple[int, int],
    pitch_um: float,
    focal_mm: float | None,
) -> LiveTilt | None:
    """Fit a plane, with r² for the field's curvature where stars show it; None where they show no plane.

    Parameters
    ----------
    chart_mm, px : ndarray
        Centres of the stars on the sheet and in the picture, (stars, 2).
    difference_um, sd_um : ndarray
        Place by each star less that by the middle one, and its standard uncertainty (0 at the middle one).
    size_px : tuple of int
        Width and height of the frame.
    pitch_um : float
        Pixel pitch, µm.
    focal_mm : float or None
        Focal length; without it the chart counts as square on, and its turn is not taken out.
    """
    if px.shape[0] < 3:
        return None
    design, names = field_design(px, size_px)
    if "tilt_x" not in names:
        return None
    # Where the sensor is deep by a star, that star's best focus lies nearer to the lens.
    best, share, own = -difference_um, np.zeros(px.shape[0]), np.zeros(2)
    if focal_mm is not None and px.shape[0] >= MIN_POINTS:
        pose = fit_pose(
            chart_mm,
            px,
            np.full(px.shape[0], STAR_SD_PX),
            focal_mm=focal_mm,
            pitch_um=pitch_um,
            size_px=size_px,
        )
        share = chart_share_um(pose, px, focal_mm=focal_mm, pitch_um=pitch_um, size_px=size_px)
        own = np.sqrt(np.diag(pose.covariance)) * pose.magnification
    known = np.maximum(sd_um, LEAST_SD_SHARE * float(np.median(sd_um)) + 1e-6)
    maker = np.linalg.pinv(design / known[:, None]) / known
    value = maker @ (best - share)
    root = np.sqrt((maker**2) @ sd_um**2)
    k = names.index("tilt_x")
    turn = own * np.array(size_px) * pitch_um
    return LiveTilt(
        float(value[k]),
        math.hypot(float(root[k]), float(turn[0])),
        float(value[k + 1]),
        math.hypot(float(root[k + 1]), float(turn[1])),
        focal_mm is not None and px.shape[0] >= MIN_POINTS,
    )
