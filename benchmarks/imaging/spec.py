"""What a sweep is invented from, and what it comes as."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .layout import Element, lay_out
from .transfer import WAVELENGTH_UM, band_peak_um

__all__ = ["NOISE_ELECTRONS", "WHITE", "Sweep", "SweepSpec", "band_shift_um", "chart_elements"]

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

NOISE_ELECTRONS = {
    "none": (np.inf, 0.0),
    "low": (30000.0, 3.0),
    "medium": (8000.0, 4.0),
    "high": (2500.0, 6.0),
}
"""Electrons at full scale, read noise in electrons."""

WHITE = 0.7
"""Paper white as a share of full scale."""


@dataclass(frozen=True)
class SweepSpec:
    """A sweep to invent; tilt is best focus at the right (bottom) edge less the left (top) one."""

    width: int = 448
    height: int = 448
    pitch_um: float = 5.0
    fnumber: float = 2.8
    focal_mm: float = 50.0
    magnification: float = 0.02
    wavelengths_um: tuple[float, ...] = (WAVELENGTH_UM,)
    step_um: float = 10.0
    range_um: float = 100.0
    best_um: float = 0.0
    phase: bool = True
    """Shift the whole row of positions by a random part of a step, so that no sampling is lucky."""
    tilt_x_um: float = 0.0
    tilt_y_um: float = 0.0
    curvature_um: float = 0.0
    w040_waves: float = 0.0
    noise: str = "medium"
    jitter_um: float = 0.0
    flicker: float = 0.0
    stars: int = 1
    star_px: float = 320.0
    small_star_px: float = 200.0
    spokes: int = 72
    small_spokes: int = 48
    binary: bool = False
    contrast: float = 0.8
    markers: bool = False
    offset_px: tuple[float, float] = (0.37, -0.21)
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.35
    exit_pupil_mm: float | None = None
    barrel: float = 0.0
    """Radial distortion at the corner as a share of its radius, + draws the corner in."""
    print_error_mm: float = 0.0
    """Standard deviation of each element's place on the sheet, each axis."""
    texture: bool = False
    """A random texture instead of the chart: no stars or markers."""
    print_seed: int = 7
    quiet_paper: bool = False
    """Leave the paper between the elements without noise: nothing is measured there, and it is quick."""

    @property
    def frames(self) -> int:
        """Number of frames."""
        return 2 * round(self.range_um / self.step_um) + 1


@dataclass(frozen=True)
class Sweep:
    """Frames with what is known of them and the truth.

    `frames` are linear, black 0 and full scale 1, float32 (height, width), each rendered anew whenever it is
    taken, the same every time. `meta` and `chart` have the form of sweep.json and chart.json.
    """

    frames: Sequence[Picture]
    meta: dict[str, Any]
    chart: dict[str, Any]
    truth: dict[str, Any]

    @property
    def positions_um(self) -> Floats:
        """Recorded positions, µm."""
        return np.array([frame["position_um"] for frame in self.meta["frames"]])


def band_shift_um(spec: SweepSpec) -> float:
    """Peak of the mean transfer over 20–62 cycles/mm less the paraxial focus. [µm, + away from the lens]."""
    if spec.w040_waves == 0.0:
        return 0.0
    return _band_shift(spec.fnumber, spec.w040_waves, spec.wavelengths_um)


@lru_cache(maxsize=64)
def _band_shift(fnumber: float, w040_waves: float, wavelengths_um: tuple[float, ...]) -> float:
    return band_peak_um(fnumber=fnumber, w040_waves=w040_waves, wavelengths_um=wavelengths_um)


def chart_elements(spec: SweepSpec) -> list[Element]:
    """Elements of the chart that fills a spec's frame."""
    mm = spec.pitch_um * 1e-3 / spec.magnification
    return lay_out(
        spec.width * mm,
        spec.height * mm,
        stars=spec.stars,
        star_mm=spec.star_px * mm,
        small_star_mm=spec.small_star_px * mm,
        spokes=spec.spokes,
        small_spokes=spec.small_spokes,
        binary=spec.binary,
        markers=spec.markers,
        marker_mm=max(45.0, 0.045 * spec.width) * mm,
    )
