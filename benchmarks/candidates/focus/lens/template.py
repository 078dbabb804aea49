"""What the rings of one star show through focus: a table of laws read at the star's own frequencies."""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN202

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from benchmarks.candidates.focus.lens.law import MAX_WAVES, STEP_WAVES, LawTable, interpolation_matrix

__all__ = ["RingNodes", "Slice", "StarTemplate"]

FloatArray = NDArray[np.float64]

TAPS = 6


@dataclass(frozen=True, slots=True)
class RingNodes:
    """Which frequencies each ring shows.

    Attributes
    ----------
    nodes_cy_mm : ndarray
        Frequencies at the sensor, (nodes,), cycles/mm.
    mix : ndarray
        Weight of each node in each ring, (nodes, rings); columns add up to about 1.
    pixel_slope : ndarray
        Slope of the logarithm of the pixel's own transfer by the logarithm of the frequency, (nodes,).
    """

    nodes_cy_mm: FloatArray
    mix: FloatArray
    pixel_slope: FloatArray


@dataclass(frozen=True, slots=True)
class Slice:
    """A star's template at one spherical aberration.

    ``rows`` is (3, defocus, rings + 1): transfer, its slope by ln N's share of the frequency (ν ∂/∂ν), and
    by the growth of the picture (with the pixel's slope); the last column is the mean of the named band.
    """

    first_um: float
    step_um: float
    rows: FloatArray
    peak_um: float

    def at(self, defocus_um: FloatArray, kind: int = 0) -> tuple[FloatArray, FloatArray]:
        """Return value and slope by defocus [1/µm] of every ring, each (places, rings)."""
        value, slope = _interpolated(self.rows[kind], self.first_um, self.step_um, defocus_um)
        return value[:, :-1], slope[:, :-1]


class StarTemplate:
    """The law's table read at a star's rings, for a focal ratio near the table's.

    Parameters
    ----------
    table : LawTable
        Transfer by the exact law.
    nodes : RingNodes
        What the rings show.
    band_cy_mm : tuple of float
        The band whose mean transfer's peak is the star's best focus, cycles/mm.
    log_fnumber : float
        ln of the focal ratio by the table's: frequencies are read at ν·N/N₀, defocus at z·(N₀/N)², which is
        exact for the paraxial law and good to 1e-3 of the exact law's own correction within 10 %.
    """

    def __init__(
        self, table: LawTable, nodes: RingNodes, band_cy_mm: tuple[float, float], log_fnumber: float = 0.0
    ) -> None:
        self.fnumber = table.fnumber * float(np.exp(log_fnumber))
        scale, self._stretch = float(np.exp(log_fnumber)), float(np.exp(2.0 * log_fnumber))
        self._first, self._step = (
            table.defocus_um[0] * self._stretch,
            float((table.defocus_um[1] - table.defocus_um[0]) * self._stretch),
        )
        at = np.clip(nodes.nodes_cy_mm * scale, table.low_cy_mm, table.high_cy_mm)
        half = 1e-3
        plain, above, below = (
            interpolation_matrix(table.frequency_cy_mm, at * share) for share in (1.0, 1.0 + half, 1.0 - half)
        )
        slope = (above - below) / (2.0 * half)
        growth = slope + nodes.pixel_slope[:, None] * plain
        x, w = np.polynomial.legendre.leggauss(10)
        low, high = band_cy_mm
        band = np.clip((low + (high - low) * (x + 1.0) / 2.0) * scale, table.low_cy_mm, table.high_cy_mm)
        mean = (w / 2.0) @ interpolation_matrix(table.frequency_cy_mm, band)
        into = np.concatenate(
            [
                plain.T @ nodes.mix,
                mean[:, None],
                slope.T @ nodes.mix,
                mean[:, None],
                growth.T @ nodes.mix,
                mean[:, None],
            ],
            axis=1,
        )
        rings = nodes.mix.shape[1]
        rows = table.transfer @ into
        self._rows = np.ascontiguousarray(
            np.moveaxis(rows.reshape(*rows.shape[:2], 3, rings + 1), 2, 1), dtype=np.float64
        )
        self._w0 = float(table.w040_waves[0])

    def slice(self, w040_waves: float) -> Slice:
        """Return the template at a spherical aberration, held within the table's reach."""
        held = float(np.clip(w040_waves, -MAX_WAVES, MAX_WAVES))
        place = (held - self._w0) / STEP_WAVES
        begin = int(np.clip(np.floor(place) - 2, 0, self._rows.shape[0] - TAPS))
        taps = _taps(place - begin)
        rows = np.tensordot(taps, self._rows[begin : begin + TAPS], axes=1)
        peak = _peak(np.ascontiguousarray(rows[0, :, -1]), self._first, self._step)
        return Slice(self._first, self._step, rows, peak)


def _taps(place: float) -> FloatArray:
    """Weights of six grid values for a place between them (Lagrange)."""
    out = np.ones(TAPS)
    for i in range(TAPS):
        for k in range(TAPS):
            if k != i:
                out[i] *= (place - k) / (i - k)
    return out


def _peak(curve: FloatArray, first: float, step: float) -> float:
    """Place of the largest value of a sampled curve, by Newton on its interpolated slope. [µm]"""
    k = int(np.clip(np.argmax(curve), 1, curve.size - 2))
    bend = curve[k - 1] - 2.0 * curve[k] + curve[k + 1]
    at = first + step * (k + 0.5 * (curve[k - 1] - curve[k + 1]) / min(bend, -1e-30))
    low, high = first + step * (k - 1), first + step * (k + 1)
    column = curve[:, None]
    for _ in range(6):
        places = np.array([at - 0.05 * step, at + 0.05 * step])
        slope = _interpolated(column, first, step, places)[1][:, 0]
        second = (slope[1] - slope[0]) / (0.1 * step)
        change = float(np.mean(slope) / min(second, -1e-30))
        at = float(np.clip(at - change, low, high))
        if abs(change) < 1e-7 * step:
            break
    return float(at)


@njit(cache=True)
def _interpolated(rows, first, step, places):  # type: ignore[no-untyped-def]
    """Value and slope of columns of equally spaced rows at places, by six-point Lagrange interpolation."""
    count, columns = rows.shape
    value = np.zeros((places.size, columns))
    slope = np.zeros((places.size, columns))
    below = np.array([-120.0, 24.0, -12.0, 12.0, -24.0, 120.0])
    for i in range(places.size):
        x = (places[i] - first) / step
        begin = int(np.floor(x)) - 2
        begin = min(max(begin, 0), count - 6)
        # Beyond the table the last value is kept: the transfer there is close to nothing.
        u = min(max(x - begin, -0.5), 5.5)
        inside = 1.0 if u == x - begin else 0.0
        for a in range(6):
            product, derivative = 1.0, 0.0
            for b in range(6):
                if b != a:
                    derivative = derivative * (u - b) + product
                    product = product * (u - b)
            product /= below[a]
            derivative *= inside / (below[a] * step)
            for j in range(columns):
                value[i, j] += product * rows[begin + a, j]
                slope[i, j] += derivative * rows[begin + a, j]
    return value, slope
