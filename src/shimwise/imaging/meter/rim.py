"""The star's rim grows and shrinks as the sensor moves, which separates the two sides of focus."""

import math
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray

LEAST_FRAMES = 40
MOST_SD_UM = 3.0
"""Deviation of one frame's place by the rim up to which the rim is used."""
SURE_SDS = 3.0
"""A frame's deviations from 0 beyond which the rim names the side: at rest pixels shift it alike in all."""
BREATHES_PER_UM = 5e-5
"""Growth by 1 µm beyond which a lens breathes: an exit pupil 20 mm away does as much; chosen."""


@dataclass(frozen=True, slots=True)
class Rim:
    """Radius of the star by the signed place: at 0, slopes by the place and its square, spread of a frame."""

    at_zero_px: float
    per_um: float
    per_um2: float
    sd_px: float

    @property
    def is_usable(self) -> bool:
        """Whether a frame's radius determines its place to 3 µm."""
        return self.sd_px < MOST_SD_UM * abs(self.per_um)

    @property
    def breathes(self) -> bool:
        """Whether the picture grows more than an exit pupil lets it."""
        return self.is_usable and abs(self.per_um) > BREATHES_PER_UM * self.at_zero_px

    def side(self, rim_px: FloatArray, square_um2: float) -> float | None:
        """Return the side of frames at rest, as the passes count; None where it is not sure."""
        apart = float(np.mean(rim_px)) - self.at_zero_px - self.per_um2 * max(square_um2, 0.0)
        if not self.is_usable or abs(apart) < SURE_SDS * self.sd_px:
            return None
        return math.copysign(1.0, apart / self.per_um)


def rim_by_place(z_um: FloatArray, rim_px: FloatArray, *, reach_um: float) -> Rim | None:
    """Fit the rim's radius by the signed places of frames, or return None where there are too few."""
    inside = np.abs(z_um) < reach_um
    if np.count_nonzero(inside) < LEAST_FRAMES:
        return None
    z, rim = z_um[inside], rim_px[inside]
    design = np.column_stack([np.ones_like(z), z, z * z])
    value = np.linalg.lstsq(design, rim, rcond=None)[0]
    sd = float(np.std(rim - design @ value, ddof=3))
    return Rim(float(value[0]), float(value[1]), float(value[2]), sd)
