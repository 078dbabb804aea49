"""What the rings of one star show through focus: a table of laws read at the star's own frequencies."""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN201, ANN202

from dataclasses import dataclass

import numpy as np
from numba import njit

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.lens.law import MAX_WAVES, STEP_WAVES, LawTable, interpolation_matrix

HALF_STEP = 1e-3
SMALL_GROWTH = 0.01
"""Growth up to which its slope alone is followed."""
KEPT_SLICES = 8
"""Slices that a template keeps: fits come back to the last few aberrations."""


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

    ``rows`` is (2 + orders, defocus, rings + 1): transfer, its slope by ln N's share of the frequency
    (ν ∂/∂ν), and the coefficients of the powers, from the first, of the picture's growth; the last column is
    the mean of the named band.
    """

    first_um: float
    step_um: float
    rows: FloatArray
    peak_um: float

    def at(self, defocus_um: FloatArray, kind: int = 0) -> tuple[FloatArray, FloatArray]:
        """Return value and slope by defocus [1/µm] of every ring, each (places, rings)."""
        value, slope = interpolated(self.rows[kind], self.first_um, self.step_um, defocus_um)
        return value[:, :-1], slope[:, :-1]

    def grown(self, defocus_um: FloatArray, growth: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what growth (places, rings) adds to every ring, and its slope by defocus [1/µm]."""
        total, by_z, power = np.zeros_like(growth), np.zeros_like(growth), np.ones_like(growth)
        for order in range(2, self.rows.shape[0]):
            power = power * growth
            value, slope = self.at(defocus_um, order)
            total, by_z = total + power * value, by_z + power * slope
        return total, by_z


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
    most_growth : float
        Largest relative change of a ring's frequency at the sensor; beyond 1 % it is followed to the fourth
        order.
    """

    def __init__(
        self,
        table: LawTable,
        nodes: RingNodes,
        band_cy_mm: tuple[float, float],
        log_fnumber: float = 0.0,
        most_growth: float = 0.0,
    ) -> None:
        self.fnumber = table.fnumber * float(np.exp(log_fnumber))
        scale, self._stretch = float(np.exp(log_fnumber)), float(np.exp(2.0 * log_fnumber))
        self._first, self._step = (
            table.defocus_um[0] * self._stretch,
            float((table.defocus_um[1] - table.defocus_um[0]) * self._stretch),
        )
        at = nodes.nodes_cy_mm * scale

        def read(share: float) -> FloatArray:
            return interpolation_matrix(
                table.frequency_cy_mm, np.clip(at * share, table.low_cy_mm, table.high_cy_mm)
            )

        plain = read(1.0)
        slope = (read(1.0 + HALF_STEP) - read(1.0 - HALF_STEP)) / (2.0 * HALF_STEP)
        grown = [slope + nodes.pixel_slope[:, None] * plain]
        if most_growth > SMALL_GROWTH:
            share = most_growth * np.array([-1.0, -0.5, 0.5, 1.0])
            change = [read(1.0 + g) * (1.0 + g) ** nodes.pixel_slope[:, None] - plain for g in share]
            grown = list(np.tensordot(np.linalg.inv(share[:, None] ** np.arange(1, 5)), change, axes=1))
        x, w = np.polynomial.legendre.leggauss(10)
        low, high = band_cy_mm
        band = np.clip((low + (high - low) * (x + 1.0) / 2.0) * scale, table.low_cy_mm, table.high_cy_mm)
        mean = ((w / 2.0) @ interpolation_matrix(table.frequency_cy_mm, band))[:, None]
        kinds = [plain, slope, *grown]
        into = np.concatenate([part for kind in kinds for part in (kind.T @ nodes.mix, mean)], axis=1)
        rows = table.transfer @ into
        shape = (*rows.shape[:2], len(kinds), nodes.mix.shape[1] + 1)
        self._rows = np.ascontiguousarray(np.moveaxis(rows.reshape(shape), 2, 1), dtype=np.float64)
        self._w0 = float(table.w040_waves[0])
        self._slices: dict[float, Slice] = {}

    def slice(self, w040_waves: float) -> Slice:
        """Return the template at a spherical aberration, held within the table's reach."""
        held = float(np.clip(w040_waves, -MAX_WAVES, MAX_WAVES))
        if held not in self._slices:
            if len(self._slices) >= KEPT_SLICES:
                self._slices.clear()
            rows = _at_aberration(self._rows, (held - self._w0) / STEP_WAVES)
            peak = _peak(np.ascontiguousarray(rows[0, :, -1:]), self._first, self._step)
            self._slices[held] = Slice(self._first, self._step, rows, peak)
        return self._slices[held]


@njit(cache=True)
def _at_aberration(table, place):  # type: ignore[no-untyped-def]
    """Rows between six equally spaced ones (Lagrange)."""
    begin = min(max(int(np.floor(place)) - 2, 0), table.shape[0] - 6)
    out = np.zeros((table.shape[1], table.shape[2], table.shape[3]))
    for i in range(6):
        tap = 1.0
        for k in range(6):
            if k != i:
                tap *= (place - begin - k) / (i - k)
        for a in range(table.shape[1]):
            for z in range(table.shape[2]):
                for j in range(table.shape[3]):
                    out[a, z, j] += tap * table[begin + i, a, z, j]
    return out


@njit(cache=True)
def _peak(column, first, step):  # type: ignore[no-untyped-def]
    """Place of the largest value of a sampled curve (samples, 1), by Newton on its slope [µm]."""
    k = min(max(int(np.argmax(column[:, 0])), 1), column.shape[0] - 2)
    below, top, above = column[k - 1, 0], column[k, 0], column[k + 1, 0]
    at = first + step * (k + 0.5 * (below - above) / min(below - 2.0 * top + above, -1e-30))
    low, high = first + step * (k - 1), first + step * (k + 1)
    for _ in range(6):
        slope = interpolated(column, first, step, np.array([at - 0.05 * step, at + 0.05 * step]))[1]
        second = (slope[1, 0] - slope[0, 0]) / (0.1 * step)
        change = 0.5 * (slope[0, 0] + slope[1, 0]) / min(second, -1e-30)
        at = min(max(at - change, low), high)
        if abs(change) < 1e-7 * step:
            break
    return at


@njit(cache=True)
def interpolated(rows, first, step, places):  # type: ignore[no-untyped-def]
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
