"""The axes of a lens apart: where level spokes are sharpest, and where upright ones are."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.meter.calibration import Run, calibrate
from shimwise.imaging.meter.law_model import MeterLaw
from shimwise.imaging.meter.offsets import Offset, Places, offset_between
from shimwise.imaging.meter.star_frame import QUARTER_SHARE

FloatArray = NDArray[np.float64]

VERTICAL, HORIZONTAL = 0, 2
"""Quarters of the star: level spokes show vertical detail, upright ones horizontal."""
ROUNDS = 2
"""Once with the vertices at 0, and once at what the other axis leaves there."""
LEAST_SDS = 3.0
"""Deviations from which axes that differ bend the whole star's vertex."""


def axis_difference(
    law: MeterLaw, run: Run, quarters: FloatArray, *, noise: float, has_sharpening: bool
) -> Offset | None:
    """Return the place by the vertical axis less that by the horizontal, or None without a pass. [µm]

    Parameters
    ----------
    law : MeterLaw
        The law at the star's rings.
    run : Run
        Frames of the passes.
    quarters : ndarray
        Modulation of the star's quarters in those frames, (frames, 4, rings).
    noise : float
        Deviation of one frame's square of defocus by the whole star [µm²].
    has_sharpening : bool
        Whether the camera sharpens.

    Notes
    -----
    Detail along a direction at the angle θ from an axis is blurred by √(z_x² cos²θ + z_y² sin²θ): the
    slope of the wavefront along it (H. H. Hopkins 1955, from memory). Over a quarter, ±22.5°, cos 2θ has the
    mean .900: the quarters' places differ by so much of the axes', and (1 − .9²)/4 of the square of the
    difference is left where one is sharpest.
    """
    found: Offset | None = None
    for _ in range(ROUNDS):
        least = 0.0 if found is None else (1.0 - QUARTER_SHARE**2) / 4.0 * found.um**2
        places = [
            _places(law, run, quarters[:, axis], noise=noise, has_sharpening=has_sharpening, least=least)
            for axis in (HORIZONTAL, VERTICAL)
        ]
        if places[0] is None or places[1] is None:
            return found
        apart = offset_between(places[0], places[1], law.fnumber)
        if apart is None:
            return found
        found = Offset(apart.um / QUARTER_SHARE, apart.sd_um / QUARTER_SHARE)
    return found


def least_of(difference: Offset | None) -> float:
    """Return the square of defocus that axes so far apart leave of the whole star at its sharpest. [µm²]"""
    if difference is None or abs(difference.um) < LEAST_SDS * difference.sd_um:
        return 0.0
    return difference.um**2 / 4.0


def _places(
    law: MeterLaw, run: Run, modulation: FloatArray, *, noise: float, has_sharpening: bool, least: float
) -> Places | None:
    own = Run(run.t_s, np.ascontiguousarray(modulation), 4.0 * run.variance)
    found = calibrate(law, own, noise=2.0 * noise, has_sharpening=has_sharpening, least=least)
    if found is None:
        return None
    size = np.sqrt(np.maximum(found.square, 0.0))
    spread = (2.0 * noise) ** 2 / (4.0 * np.maximum(found.square, law.fnumber**2))
    return Places(run.t_s, found.side * size, spread + math.ulp(1.0))
