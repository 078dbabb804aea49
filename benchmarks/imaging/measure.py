"""The one place of the benchmark that calls the measuring code under test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import start_from_star
from shimwise.imaging.chart.layout import ChartLayout, layout_from_json
from shimwise.imaging.focus.result import SweepResult, SweepSettings
from shimwise.imaging.focus.sweep import measure_sweep

from .simulator import Simulator, Sweep

__all__ = ["Peak", "measured", "peak_of"]

Picture = NDArray[np.float32]

POINTED_PX = (0.9, -0.7)
"""How far off the star's centre a person points."""


@dataclass(frozen=True)
class Peak:
    """Best focus of one sweep beside its truth, µm; ``flags`` are short names of the flags raised."""

    best_um: float
    low_um: float
    high_um: float
    truth_um: float
    flags: tuple[str, ...]
    withheld: bool


def measured(simulator: Simulator, sweep: Sweep, frames: Sequence[Picture] | None = None) -> SweepResult:
    """Measure a sweep; `frames` replace the sweep's own (recorded otherwise)."""
    spec = simulator.spec
    settings = SweepSettings(
        pitch_um=spec.pitch_um,
        fnumber=spec.fnumber,
        focal_mm=spec.focal_mm,
        wavelengths_um=spec.wavelengths_um,
    )
    layout = layout_from_json(sweep.chart)
    start = None if layout.markers else _pointed(simulator, layout)
    pictures = sweep.frames if frames is None else frames
    return measure_sweep(
        zip(sweep.positions_um.tolist(), pictures, strict=True), layout, settings, start=start
    )


def peak_of(simulator: Simulator, sweep: Sweep, frames: Sequence[Picture] | None = None) -> Peak | None:
    """Peak of the centre star; None when the sweep was refused."""
    try:
        result = measured(simulator, sweep, frames)
    except ImagingError:
        return None
    fit = result.stars[0].fit
    flags = tuple(sorted({raised.flag.short for raised in result.flags}))
    truth = sweep.truth["stars"][0]["best_um"]
    return Peak(fit.best_um, fit.low_um, fit.high_um, truth, flags, result.best_um is None)


def _pointed(simulator: Simulator, layout: ChartLayout) -> NDArray[np.float64]:
    spec, star = simulator.spec, layout.centre_star
    x, y = simulator.camera.to_px(star.centre_mm)
    radius_px = star.radius_mm * spec.magnification * 1e3 / spec.pitch_um
    centre = (float(x) + POINTED_PX[0], float(y) + POINTED_PX[1])
    return start_from_star(layout, centre_px=centre, radius_px=0.998 * radius_px)
