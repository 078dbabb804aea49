"""A star that a person pointed at roughly: its centre and rim found in the picture."""

import math
from dataclasses import replace

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.chart.capture import Crop
from shimwise.imaging.chart.layout import Star
from shimwise.imaging.star.cells import Cells, solve_cells, sum_star
from shimwise.imaging.star.rings import RingPlan, StarTooSmallError, plan_rings
from shimwise.imaging.star.star_phase import find_centre

INWARD = 0.92
"""Share of the stated radius within which the star surely lies, where the radius is 8 % too large."""
SHARES = (0.25, 0.5, 1.0)
"""Share of the rings, coarse ones first, by which the centre is found: from coarse spokes far off."""
REACH_SPOKES = 1.2
MOST_MOVES, SETTLED_PX = 6, 0.12
RIM_FROM, RIM_TO = 0.8, 1.12
"""Radii, as shares of the stated one, between which the rim is looked for."""
LEAST_INSIDE = 0.05
"""Modulation inside the rim below which it is taken for paper."""


def pointed(star: Star, crops: list[Crop], start: FloatArray, *, pitch_um: float) -> FloatArray:
    """Return the map from sheet to picture (3, 3) that puts a star where the picture shows it.

    Parameters
    ----------
    star : Star
        The star on the sheet.
    crops : list of Crop
        The star with its surroundings in every frame.
    start : ndarray
        The map as a person pointed: the centre off by 10 px and the radius by 8 % at most.
    pitch_um : float
        Pixel pitch, µm.

    Notes
    -----
    Coarse spokes first: their phase does not turn over where the centre is off by a few pixels. A spoke star
    is alike at every scale, so that the radius is not needed for the centre; it is where modulation ends.
    A star too small to measure stays where it was pointed at.
    """
    crop = max(crops, key=_sharpness)
    shift = np.eye(3)
    shift[:2, 2] = star.centre_mm
    to_px = start @ shift
    scale = math.sqrt(abs(float(np.linalg.det(to_px[:2, :2]))))
    inner = replace(star, radius_mm=INWARD * star.radius_mm)
    try:
        plan = plan_rings(inner, px_per_mm=scale, pitch_um=pitch_um)
    except StarTooSmallError:
        return start
    for share in SHARES:
        count = max(2, round(share * plan.count))
        part = RingPlan(plan.spokes, plan.edges_cy_mm[: count + 1], plan.magnification)
        for _ in range(MOST_MOVES):
            move = np.eye(3)
            cells = _cells(crop, to_px, part)
            move[:2, 2] = find_centre(cells, 0, part, reach_spokes=REACH_SPOKES)[0]
            to_px = to_px @ move
            if float(np.hypot(*move[:2, 2])) * scale < SETTLED_PX:
                break
    grown = np.diag([_rim_share(star, crop, to_px)] * 2 + [1.0])
    return np.asarray(to_px @ grown @ np.linalg.inv(shift), dtype=np.float64)


def _rim_share(star: Star, crop: Crop, to_px: FloatArray) -> float:
    """Return the radius at which modulation falls to a half, by the stated one; 1 where none is seen."""
    radii = star.radius_mm * np.linspace(RIM_TO, RIM_FROM, 33)
    plan = RingPlan(star.spokes, star.spokes / (2.0 * np.pi * radii), 1.0)
    cells = _cells(crop, to_px, plan)
    weighted = np.sum(cells.pixels * cells.modulation, axis=2)[0]
    pixels = np.sum(cells.pixels, axis=2)[0]
    inside = weighted[-8:].sum()
    phase = np.angle(inside)
    along = (weighted * np.exp(-1j * phase)).real / np.maximum(pixels, 1.0)
    level = float(np.abs(inside) / max(float(pixels[-8:].sum()), 1.0))
    middle = (radii[:-1] + radii[1:]) / 2.0
    below = np.flatnonzero(along[::-1] < level / 2.0)
    if level < LEAST_INSIDE or below.size == 0 or below[0] == 0:
        return 1.0
    k = int(below[0])
    (r0, r1), (m0, m1) = middle[::-1][k - 1 : k + 1], along[::-1][k - 1 : k + 1]
    return float((r0 + (r1 - r0) * (m0 - level / 2.0) / max(m0 - m1, 1e-9)) / star.radius_mm)


def _cells(crop: Crop, to_px: FloatArray, plan: RingPlan) -> Cells:
    inverse = np.asarray(np.linalg.inv(to_px), dtype=np.float64)
    sums = sum_star(crop.pixels, left=crop.left, top=crop.top, to_star=inverse, plan=plan)
    return solve_cells(sums.sums[None])


def _sharpness(crop: Crop) -> float:
    """Gradient energy by the squared mean; a step of two keeps to one colour of a mosaic."""
    across = crop.pixels[:, 2:] - crop.pixels[:, :-2]
    mean = float(np.nanmean(crop.pixels))
    return float(np.nanmean(across**2)) / max(mean**2, 1e-12)
