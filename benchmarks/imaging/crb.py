"""The Cramér–Rao bound: no unbiased estimate of the peak can scatter less than this.

Fisher information is summed over all pixels of all frames from numerical derivatives of the noise-free
frames, with the noise's own variance held fixed (its dependence on the mean adds less than 1e-3 here).
Recorded positions are exact.

References
----------
.. [1] S. M. Kay, *Fundamentals of Statistical Signal Processing: Estimation Theory* (1993), ch. 3 and 3.9,
   eqs 3.20 and 3.30 (scalar, function of a vector; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .simulator import NOISE_ELECTRONS, Camera, ExactStar, SweepSpec, band_shift_um

__all__ = ["Bound", "peak_bound"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Bound:
    """Least possible standard deviation of the band's peak, µm."""

    all_known_um: float
    """Everything but the peak known."""
    all_free_um: float
    """Focal ratio, spherical aberration, contrast and mean level unknown as well."""
    rings_known_um: float
    """As the first, from the pixels between 0.08 and 0.42 cycles/pixel of the star alone."""


@lru_cache(maxsize=64)
def peak_bound(spec: SweepSpec) -> Bound:
    """Bound for the band's peak of a one-star sweep, at the phase of its unshifted positions. [µm].

    The band's peak is a function of paraxial focus, focal ratio and aberration, so with those free the bound
    is gradient · inverse information · gradient.
    """
    base = replace(spec, phase=False, jitter_um=0.0, flicker=0.0, best_um=0.0)
    steps = {"fnumber": 0.01 * base.fnumber, "w040_waves": 0.01}
    home = ExactStar(base)
    sides = [[ExactStar(_moved(base, name, sign * step)) for sign in (-1, 1)] for name, step in steps.items()]
    information, ringed, inside = np.zeros((5, 5)), 0.0, _ring_mask(base)
    full, read = NOISE_ELECTRONS[base.noise]
    for position in base.step_um * np.arange(-(base.frames // 2), base.frames // 2 + 1):
        clean = home.frame(position).astype(float)
        slopes = [_focus_slope(home, position)]
        for (low, high), step in zip(sides, steps.values(), strict=True):
            change = high.frame(position).astype(float) - low.frame(position)
            slopes.append(np.asarray(change / (2 * step), dtype=float))
        slopes += [clean - clean.mean(), np.ones_like(clean)]
        weight = 1.0 / (clean / full + (read / full) ** 2)
        stacked = np.stack([s.ravel() for s in slopes])
        information += (stacked * weight.ravel()) @ stacked.T
        ringed += float(np.sum((weight * slopes[0] ** 2)[inside]))
    gradient = np.array([1.0, *(_shift_slope(base, name, step) for name, step in steps.items()), 0.0, 0.0])
    free = float(np.sqrt(gradient @ np.linalg.solve(information, gradient)))
    return Bound(1 / float(np.sqrt(information[0, 0])), free, 1 / float(np.sqrt(ringed)))


def _focus_slope(star: ExactStar, position_um: float) -> Floats:
    """Change of the frame per µm that best focus moves away: the sensor moved the other way."""
    step = 0.05 * star.spec.fnumber
    change = star.frame(position_um - step).astype(float) - star.frame(position_um + step)
    return np.asarray(change / (2 * step), dtype=float)


def _shift_slope(base: SweepSpec, name: str, step: float) -> float:
    low, high = (band_shift_um(_moved(base, name, sign * step)) for sign in (-1, 1))
    return (high - low) / (2 * step)


def _moved(base: SweepSpec, name: str, by: float) -> SweepSpec:
    return replace(base, **{name: getattr(base, name) + by})


def _ring_mask(spec: SweepSpec) -> NDArray[np.bool_]:
    x0, y0 = Camera(spec).to_px([0.0, 0.0])
    y, x = np.mgrid[: spec.height, : spec.width]
    frequency = spec.spokes / (2 * np.pi * np.maximum(np.hypot(x - x0, y - y0), 0.1))
    return np.asarray((frequency > 0.08) & (frequency < 0.42), dtype=bool)
