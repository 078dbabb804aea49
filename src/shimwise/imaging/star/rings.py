"""Rings and sectors of a spoke star, laid where its spokes are neither too coarse nor too fine for pixels."""

import math
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import Star

SECTORS = 16
SECTOR_ANGLES_RAD: FloatArray = 2.0 * np.pi * (np.arange(SECTORS) + 0.5) / SECTORS
"""Middle of each sector on the sheet, from x (right) towards y (down)."""
TANGENTS: FloatArray = np.vstack([-np.sin(SECTOR_ANGLES_RAD), np.cos(SECTOR_ANGLES_RAD)])
STRETCHES: FloatArray = np.vstack([np.sin(2 * SECTOR_ANGLES_RAD), np.cos(2 * SECTOR_ANGLES_RAD)])
"""By what a step right or down, and a stretch in two directions, turn the phase of each sector."""

RINGS, ENOUGH_RINGS, LEAST_RINGS = 20, 12, 4
"""Most rings, the count up to which the finest frequency is lowered to get more, and the least; chosen."""
LOW_CY_PX, HIGH_CY_PX = 0.08, 0.42
"""Frequencies that are measured, cycles/px; chosen below 0.5, from which on spokes alias."""
LEAST_HIGH_CY_PX, LEAST_OCTAVE, FINER = 0.25, 1.3, 0.97
"""The upper limit is lowered by the last factor at a time, not below the first, nor below so many times the
lower limit; chosen."""
RIM_SHARE, LEAST_RIM_SHARE = 0.15, 0.03
"""Most and least share of a star's radius left out at the rim, where blur mixes it with the paper; chosen."""
MIN_WIDTH_PX = 12.0
"""Least width of all rings together, px; chosen."""
CELL_PX = 6
"""Pixels that a cell of the innermost ring holds: three unknowns, and as many to average noise; chosen."""


class StarTooSmallError(ImagingError):
    """Raised when too few pixels of a star lie between the limits of frequency.

    Attributes
    ----------
    star_id : str
        The star on the sheet.
    radius_px, width_px : float
        Radius of the star, and width of its usable rings, px.
    """

    def __init__(self, star: Star, *, radius_px: float, width_px: float) -> None:
        self.star_id, self.radius_px, self.width_px = star.id, radius_px, max(width_px, 0.0)
        super().__init__(
            f"Star {star.id}: {star.spokes} spokes on a radius of {radius_px:.0f} px leave "
            f"{self.width_px:.0f} px of usable rings ({MIN_WIDTH_PX:.0f} are needed). Move closer, or print "
            "fewer spokes or a larger star."
        )


@dataclass(frozen=True, slots=True)
class RingPlan:
    """Rings of a star, from low to high frequency, of equal steps in frequency.

    ``edges_cy_mm`` are their limits in cycles/mm on the sheet, spokes/(2π·radius).
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
        """Radius on the sheet of each ring's mean frequency, mm."""
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


def plan_rings(star: Star, *, px_per_mm: float, pitch_um: float, blur_px: float = 0.0) -> RingPlan:
    """Plan rings over a star where its spokes are between 0.08 and 0.42 cycles/pixel.

    Parameters
    ----------
    star : Star
        The star on the sheet.
    px_per_mm : float
        Scale of the picture at the star, pixels per mm of the sheet.
    pitch_um : float
        Pixel pitch, µm.
    blur_px : float
        Radius of the largest blur disc, px: so much of the rim is left out, 15 % of the radius at most.

    Raises
    ------
    StarTooSmallError
        If fewer than 12 px lie between the limits.
    """
    radius_px = star.radius_mm * px_per_mm
    outer_px = radius_px - min(max(blur_px, LEAST_RIM_SHARE * radius_px), RIM_SHARE * radius_px)
    low = max(star.spokes / (2.0 * math.pi * outer_px), LOW_CY_PX)
    width_px = star.spokes / (2.0 * math.pi) * (1.0 / low - 1.0 / HIGH_CY_PX)
    if low >= HIGH_CY_PX or width_px < MIN_WIDTH_PX:
        raise StarTooSmallError(star, radius_px=radius_px, width_px=width_px)
    high, count = _finest(star.spokes, low)
    edges = np.linspace(low, high, count + 1) * px_per_mm
    return RingPlan(star.spokes, edges, px_per_mm * pitch_um * 1e-3)


def _finest(spokes: int, low: float) -> tuple[float, int]:
    """Return the upper limit [cycles/px] and the count of rings whose innermost holds enough pixels a cell.

    Cells of the innermost ring are the smallest: fewer, wider rings or a lower limit make them larger.
    """
    high = HIGH_CY_PX
    while True:
        radius = spokes / (2.0 * math.pi * high)
        step = high * CELL_PX * SECTORS / (2.0 * math.pi * radius**2)
        count = int((high - low) / step)
        if count >= ENOUGH_RINGS or high <= max(LEAST_HIGH_CY_PX, LEAST_OCTAVE * low):
            return high, max(min(count, RINGS), LEAST_RINGS)
        high *= FINER
