"""How far apart two views of one motion are: stars in the field, or the axes of a lens."""

import math
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.fit.interval import t_quantile
from shimwise.imaging.meter.crossings import MEDIAN_TO_SD

NEAR_N, FAR_N = 1.5, 16.0
"""Sizes, in N µm, between which places are compared: nearer their sign is noise, farther the law's
misfit grows."""
LEAST_FRAMES, BLOCKS = 24, 8
"""Frames in common that a comparison needs, and blocks of them that are left out in turn for its spread."""
HUBER = 2.0
"""Deviations beyond which a frame's weight falls."""
SCALE_SHARE, FLOOR_N = 0.03, 0.02
"""Standard uncertainty by what the law leaves: a share of the difference, and so many N µm; chosen on tuning
feeds."""


@dataclass(frozen=True, slots=True)
class Places:
    """Signed places of frames by one view: times [s], places [µm] and their variance by noise, (frames,)."""

    t_s: FloatArray
    z_um: FloatArray
    variance: FloatArray


@dataclass(frozen=True, slots=True)
class Offset:
    """A difference with its standard uncertainty, which has ``BLOCKS`` − 1 degrees of freedom. [µm]"""

    um: float
    sd_um: float

    @property
    def half_um(self) -> float:
        """Half width of the 95 % interval."""
        return t_quantile(BLOCKS - 1) * self.sd_um


def offset_between(first: Places, second: Places, fnumber: float) -> Offset | None:
    """Return second less first where their mean is at the sharpest place, or None if too few frames show it.

    Both saw the same motion, whose tremor cancels; a scale that differs between them is free. Where one has
    counted its sides the other way round, it is turned.
    """
    _, k, m = np.intersect1d(first.t_s, second.t_s, return_indices=True)
    a, b = first.z_um[k], second.z_um[m]
    variance = first.variance[k] + second.variance[m]
    if float(np.sum(a * b)) < 0.0:
        b = -b
    far = (np.minimum(np.abs(a), np.abs(b)) > NEAR_N * fnumber) & (np.abs(a + b) < 2.0 * FAR_N * fnumber)
    if np.count_nonzero(far) < LEAST_FRAMES:
        return None
    a, b, variance = a[far], b[far], variance[far]
    whole = _intercept(a, b, variance)
    parts = np.array_split(np.arange(a.size), BLOCKS)
    left = np.array([_intercept(*(np.delete(one, part) for one in (a, b, variance))) for part in parts])
    spread = math.sqrt((BLOCKS - 1) * float(np.var(left)))
    return Offset(whole, math.hypot(spread, SCALE_SHARE * whole, FLOOR_N * fnumber))


def _intercept(a: FloatArray, b: FloatArray, variance: FloatArray) -> float:
    """Return b − a at a + b = 0: a robust line over their mean."""
    middle, apart = (a + b) / 2.0, b - a
    scale = float(np.max(np.abs(middle))) or 1.0
    design = np.column_stack([np.ones_like(middle), middle / scale])
    weight = 1.0 / (variance + float(np.median(variance)))
    value: FloatArray = np.zeros(2)
    for _ in range(6):
        root = np.sqrt(weight)
        value = np.asarray(np.linalg.lstsq(design * root[:, None], apart * root, rcond=None)[0])
        left = np.abs(apart - design @ value)
        spread = MEDIAN_TO_SD * float(np.median(left)) + 1e-9
        weight = np.minimum(1.0, HUBER * spread / np.maximum(left, 1e-12)) / (
            variance + float(np.median(variance))
        )
    return float(value[0])
