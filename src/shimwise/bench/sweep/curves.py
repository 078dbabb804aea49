"""Through-focus curves of a sweep for its figure: contrast of each star in the named band, and the fit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shimwise.bench.sweep.texture import TextureSweep
from shimwise.imaging.focus.result import StarPeak, SweepResult
from shimwise.sheets.pictures.sweep_figure import Curve

FloatArray = NDArray[np.float64]

FIT_POINTS = 121


def star_curves(result: SweepResult) -> tuple[Curve, ...]:
    """Return for each star its mean signed contrast over the band's rings, as a share of the fit's peak."""
    return tuple(_star_curve(star, result.band_cy_mm) for star in result.stars)


def _star_curve(star: StarPeak, band_cy_mm: tuple[float, float]) -> Curve:
    from scipy.interpolate import CubicHermiteSpline

    data, fit = star.data, star.fit
    low, high = band_cy_mm
    rings = (data.frequency_cy_mm >= low) & (data.frequency_cy_mm <= high)
    if not rings.any():
        rings[:] = True
    z, order = np.unique(data.position_um, return_index=True)
    points = data.modulation[:, rings].mean(axis=1)[order]
    model = fit.model[:, rings].mean(axis=1)[order]
    slope = fit.model_by_position[:, rings].mean(axis=1)[order]
    at = np.linspace(z[0], z[-1], FIT_POINTS)
    line = CubicHermiteSpline(z, model, slope)(at)
    top = max(float(np.max(line)), 1e-9)
    return _curve(star.id, z, points / top, at, line / top)


def texture_curve(found: TextureSweep) -> tuple[Curve, ...]:
    """Return a target's gradient energy as a share of its largest, with the Gaussian where there is one."""
    z, order = np.unique(found.position_um, return_index=True)
    energy = found.energy[order]
    if z.size == 0:
        return ()
    top = max(float(energy.max()), 1e-12)
    if found.peak is None:
        return (_curve("target", z, energy / top, np.zeros(0), np.zeros(0)),)
    at = np.linspace(z[0], z[-1], FIT_POINTS)
    centre, width = found.peak.best_um, found.peak.width_um
    near = np.abs(z - centre) < 2.0 * width
    bell, line = (np.exp(-0.5 * ((x - centre) / width) ** 2) for x in (z[near], at))
    height, rest = np.linalg.lstsq(np.column_stack([bell, np.ones_like(bell)]), energy[near], rcond=None)[0]
    return (_curve("target", z, energy / top, at, (height * line + rest) / top),)


def _curve(name: str, z: FloatArray, y: FloatArray, at: FloatArray, line: FloatArray) -> Curve:
    return Curve(
        name=name,
        points=tuple(zip(z.tolist(), y.tolist(), strict=True)),
        fit=tuple(zip(at.tolist(), line.tolist(), strict=True)),
    )
