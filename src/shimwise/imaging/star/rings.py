"""Rings and sectors of a spoke star: where its spokes are neither too coarse nor too fine for the pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import Star

__all__ = ["SECTORS", "SECTOR_ANGLES_RAD", "RingPlan", "plan_rings"]

FloatArray = NDArray[np.float64]

SECTORS = 16
SECTOR_ANGLES_RAD: FloatArray = 2.0 * np.pi * (np.arange(SECTORS) + 0.5) / SECTORS
"""Middle of each sector on the sheet, from x (right) towards y (down)."""

RINGS = 20
LOW_CY_PX, HIGH_CY_PX = 0.08, 0.42
LEAST_HIGH_CY_PX = 0.25
ENOUGH_RINGS = 12
RIM_SHARE = 0.15
"""At most this share of a star's radius is left out at the rim, where the blur mixes it with the paper."""


@dataclass(frozen=True, slots=True)
class RingPlan:
    """Rings of a star, from low to high frequency, of equal steps in frequency.

    ``turns_per_mm`` are the edges, 1/(2π·radius) per mm on the sheet, times the spokes: cycles/mm on the
    sheet.
    """

    spokes: int
    edges_cy_mm: FloatArray
    magnification: float

    @property
    def count(self) -> int:
        """Number of rings."""
        return self.edges_cy_mm.size - 1

    @property
    def radii_mm(self) -> FloatArray:
        """Radius on the sheet at which a ring's mean frequency is met, mm."""
        return self.spokes / (2.0 * np.pi * self.mean_on_sheet)

    @property
    def frequency_cy_mm(self) -> FloatArray:
        """Mean frequency of each ring's pixels at the sensor, cycles/mm."""
        return self.mean_on_sheet / self.magnification

    @property
    def mean_on_sheet(self) -> FloatArray:
        """Mean frequency of each ring's area on the sheet, cycles/mm."""
        edge_radii = self.spokes / (2.0 * np.pi * self.edges_cy_mm)
        return self.spokes / (np.pi * (edge_radii[:-1] + edge_radii[1:]))


def plan_rings(
    star: Star, *, px_per_mm: float, pitch_um: float, blur_px: float = 0.0, rings: int = RINGS
) -> RingPlan:
    """Lay rings over a star where its spokes are between 0.08 and 0.42 cycles/pixel.

    Parameters
    ----------
    star : Star
        The star on the sheet.
    px_per_mm : float
        Scale of the picture at the star, pixels per mm of the sheet.
    pitch_um : float
        Pixel pitch, µm.
    blur_px : float
        Radius of the largest blur disc, pixels: so much of the rim is left out, 15 % of the radius at most.
    rings : int
        Number of rings.

    Raises
    ------
    ImagingError
        When the star is so small in the picture that fewer than 12 pixels lie between the limits.
    """
    radius_px = star.radius_mm * px_per_mm
    outer_px = radius_px - min(max(blur_px, 0.03 * radius_px), RIM_SHARE * radius_px)
    low = max(star.spokes / (2.0 * math.pi * outer_px), LOW_CY_PX)
    width_px = star.spokes / (2.0 * math.pi) * (1.0 / low - 1.0 / HIGH_CY_PX)
    if low >= HIGH_CY_PX or width_px < 12.0:
        raise ImagingError(
            f"Star {star.id}: {star.spokes} spokes on a radius of {radius_px:.0f} px leave "
            f"{max(width_px, 0):.0f} px "
            f"of usable rings (12 are needed). Move closer, or print fewer spokes or a larger star."
        )
    high, count = _finest(star.spokes, low, rings)
    edges = np.linspace(low, high, count + 1) * px_per_mm
    return RingPlan(star.spokes, edges, px_per_mm * pitch_um * 1e-3)


def _finest(spokes: int, low: float, rings: int) -> tuple[float, int]:
    """Upper limit [cycles/px] and count of rings: the innermost must hold 6 pixels for each of its cells."""
    high, count = HIGH_CY_PX, 0
    while True:
        radius = spokes / (2.0 * math.pi * high)
        step = high * 6 * SECTORS / (2.0 * math.pi * radius**2)
        count = int((high - low) / step)
        if count >= ENOUGH_RINGS or high <= max(LEAST_HIGH_CY_PX, 1.3 * low):
            return high, max(min(count, rings), 4)
        high *= 0.97
