"""A picture that moves while it is exposed is smeared along its way: seen by direction, and taken out."""

import math
from dataclasses import dataclass, field

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.meter.star_frame import QUARTER_SHARE

MOST_STEP_PX = 3.0
"""Way from frame to frame beyond which the picture jumped, and its speed while exposed is not known."""
MOST_EXPOSURE = 1.0
"""Longest exposure, by the time between frames."""
FADE = 0.998
"""Weight of the past for each new frame: some twenty seconds."""
LEAST_FRAMES, LEAST_SDS = 40, 3.0
"""Frames before an exposure is believed, and how far it must be from 0 by its deviation; chosen."""


@dataclass(slots=True)
class SmearWatch:
    """The exposure's time by how modulation differs along and across the way of the picture.

    A way of s px takes (π ν s)²/6 of the modulation of frequency ν [cycles/px] along it: the first term of
    sinc, which a shift during the exposure multiplies the transfer with (J. W. Goodman, *Introduction to
    Fourier Optics*; from memory).
    """

    frequency_cy_px: FloatArray
    _t: list[float] = field(default_factory=list)
    _at: list[tuple[float, float]] = field(default_factory=list)
    _sums: FloatArray = field(default_factory=lambda: np.zeros((8, 1)))
    _step_s: float = 0.04
    _frames: int = 0
    _exposure_s2: float | None = None

    def add(
        self, t_s: float, centre_px: tuple[float, float], modulation: FloatArray, quarters: FloatArray
    ) -> float:
        """Add a frame, and return the square of its picture's speed. [px²/s²]"""
        self._t, self._at = [*self._t[-2:], t_s], [*self._at[-2:], centre_px]
        velocity = self._velocity()
        if velocity is None:
            return 0.0
        x, y = velocity
        gain = (math.pi * self.frequency_cy_px) ** 2 / 6.0 * QUARTER_SHARE * modulation
        way = np.array([[x * x - y * y], [2.0 * x * y]])
        seen = np.array([quarters[0] - quarters[2], quarters[1] - quarters[3]])
        new = [
            gain**2,
            *(gain**2 * way),
            *(gain * seen),
            gain**2 * float(np.sum(way**2)),
            *(gain * np.sum(way * seen, axis=0), np.sum(seen**2, axis=0)),
        ]
        self._sums = FADE * self._sums + np.array(np.broadcast_arrays(*new))
        self._frames += 1
        self._exposure_s2 = None
        return x * x + y * y

    @property
    def exposure_s2(self) -> float:
        """Square of the exposure's time as far as it is seen, 0 otherwise. [s²]

        Each ring sees it for itself, and counts by its own scatter: aliasing sits in a few.
        """
        if self._exposure_s2 is None:
            self._exposure_s2 = 0.0 if self._frames < LEAST_FRAMES else self._seen_exposure_s2()
        return self._exposure_s2

    def _seen_exposure_s2(self) -> float:
        size = np.maximum(self._sums[0], 1e-30)
        _, wx, wy, sx, sy, ww, ws, ss = self._sums / size
        spread = np.maximum(ww - wx * wx - wy * wy, 1e-12)
        value = (ws - wx * sx - wy * sy) / spread
        left = np.maximum(ss - sx * sx - sy * sy - value**2 * spread, 0.0)
        weight = spread / np.maximum(left, 1e-3 * float(np.median(left)) + 1e-30)
        mean = float(weight @ value / weight.sum())
        count = 2.0 * min(self._frames, 1.0 / (1.0 - FADE))
        apart = float(weight @ (value - mean) ** 2 / weight.sum()) / max(value.size - 1, 1)
        sd = math.sqrt(max(1.0 / (count * float(weight.sum())), apart))
        return 0.0 if mean < LEAST_SDS * sd else min(mean, (MOST_EXPOSURE * self._step_s) ** 2)

    def kept(self, speed2: FloatArray) -> FloatArray:
        """Return the share of each ring's modulation that smear leaves in frames, (frames, rings)."""
        lost = np.multiply.outer(speed2, (math.pi * self.frequency_cy_px) ** 2) * self.exposure_s2 / 12.0
        return np.asarray(1.0 / (1.0 + lost))

    def _velocity(self) -> tuple[float, float] | None:
        """Return the speed at the last frame, by a parabola through the last three where there are. [px/s]"""
        if len(self._t) < 3:
            return None
        (t0, t1, t2), (a, b, c) = self._t, self._at
        first, second = max(t1 - t0, 1e-6), max(t2 - t1, 1e-6)
        if math.dist(a, b) > MOST_STEP_PX or math.dist(b, c) > MOST_STEP_PX:
            return None
        self._step_s = min(first, second)
        before = [(q - p) / first for p, q in zip(a, b, strict=True)]
        now = [(q - p) / second for p, q in zip(b, c, strict=True)]
        share = second / (first + second)
        x, y = (n + share * (n - p) for p, n in zip(before, now, strict=True))
        return x, y
