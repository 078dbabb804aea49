"""What a fit of focus takes in: plain arrays of one star through a sweep."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.focus.lens.template import SMALL_GROWTH, RingNodes


@dataclass(frozen=True, slots=True, kw_only=True)
class StarRings:
    """Signed modulation of a star's rings through a sweep.

    Attributes
    ----------
    position_um : ndarray
        Recorded positions, (frames,), µm.
    modulation, pixels : ndarray
        Signed modulation and how many pixels it rests on, (frames, rings).
    detuning : ndarray
        How far the frequency at the sensor lies from the ring's, as a share, (frames, rings): growth of the
        picture.
    frequency_cy_mm : ndarray
        Each ring's own frequency, (rings,).
    nodes : RingNodes
        Which frequencies each ring shows.
    """

    position_um: FloatArray
    modulation: FloatArray
    pixels: FloatArray
    detuning: FloatArray
    frequency_cy_mm: FloatArray
    nodes: RingNodes

    def __post_init__(self) -> None:
        if self.position_um.size < 5:
            raise ImagingError(
                f"A peak cannot be fitted to {self.position_um.size} frames: record at least 7 over the peak."
            )
        if not np.any(np.abs(self.modulation) * (self.pixels > 0) > 1e-4):
            raise ImagingError(
                "No modulation is left in any frame: the star is blurred away or is not in the picture."
            )

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.position_um.size)

    @property
    def most_growth(self) -> float:
        """Largest change of a ring's frequency that all of its frame share, rounded up; 0 up to 1 %."""
        by_frame = np.abs(np.median(self.detuning, axis=1))
        largest = float(by_frame.max())
        return 0.01 * float(np.ceil(100.0 * largest + 1.0)) if largest > SMALL_GROWTH else 0.0

    def only(self, keep: BoolArray) -> StarRings:
        """Return the star in some of its frames, (frames,) of bool."""
        return replace(
            self,
            position_um=self.position_um[keep],
            modulation=self.modulation[keep],
            pixels=self.pixels[keep],
            detuning=self.detuning[keep],
        )

    def at(self, position_um: FloatArray) -> StarRings:
        """Return the star with other positions, (frames,), µm."""
        return replace(self, position_um=position_um)
