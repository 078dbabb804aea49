"""The lens's law read at a star's rings by the square of defocus: its even and its odd part."""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN201

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.lens.law import law_table
from shimwise.imaging.focus.lens.template import RingNodes, StarTemplate
from shimwise.imaging.focus.peak import BAND_CY_MM
from shimwise.imaging.star.response import ring_response
from shimwise.imaging.star.rings import HIGH_CY_PX, LOW_CY_PX, RingPlan

COARSE_CY_PX, LEAST_COARSE = 0.2, 4
"""Frequency up to which smoothing over neighbours leaves modulation alone, and the rings that it takes."""
KNOT_SHARE = 0.5
"""Step of the knots in the square of defocus, in N² µm²: linear between them, good to 2e-5."""
SHARPENING_PX = 1.0
"""Radius of a camera's sharpening [px]; common practice, no source."""
REACH_UM, SLOW_N = 45.0, 4.0
"""Largest defocus by the f-number [µm]; beyond ``SLOW_N`` it grows as its square. Chosen."""


def reach_um(fnumber: float) -> float:
    """Return the largest defocus that is measured. [µm]"""
    return REACH_UM * fnumber * max(1.0, fnumber / SLOW_N)


@dataclass(frozen=True, slots=True)
class LawRows:
    """What rings show at knots of the square of defocus, equally spaced from 0 [µm²].

    ``even`` and ``odd``, (knots, rings), are half the sum and half the difference of both sides.
    """

    step_um2: float
    even: FloatArray
    odd: FloatArray

    def only(self, rings: slice) -> LawRows:
        """Return the law at some of the rings."""
        return LawRows(
            self.step_um2,
            np.ascontiguousarray(self.even[:, rings]),
            np.ascontiguousarray(self.odd[:, rings]),
        )


class MeterLaw:
    """The exact law of a lens at a star's rings, for a spherical aberration and a sharpening camera.

    Parameters
    ----------
    fnumber : float
        f-number of the lens as it is set.
    plan : RingPlan
        Rings in pixels.
    pitch_um : float
        Pixel pitch, µm.
    """

    def __init__(self, fnumber: float, plan: RingPlan, pitch_um: float) -> None:
        self.fnumber, self.reach_um = fnumber, reach_um(fnumber)
        per_mm = 1e3 / pitch_um
        response = ring_response(plan, blur_um=self.reach_um / (2.0 * fnumber))
        # The table serves all stars of a feed: its frequencies do not depend on their size.
        low = min(0.6 * LOW_CY_PX * per_mm, BAND_CY_MM[0], float(response.nodes_cy_mm.min()))
        high = max(1.3 * HIGH_CY_PX * per_mm, BAND_CY_MM[1], float(response.nodes_cy_mm.max()))
        table = law_table(fnumber=fnumber, reach_um=1.15 * self.reach_um, low_cy_mm=low, high_cy_mm=high)
        nodes = RingNodes(response.nodes_cy_mm, response.mix, np.zeros(response.nodes_cy_mm.size))
        self._template = StarTemplate(table, nodes, BAND_CY_MM)
        self.frequency_cy_px = nu_px = plan.mean_on_sheet
        self._gain = 1.0 - np.exp(-2.0 * (np.pi * SHARPENING_PX * nu_px) ** 2)
        step = KNOT_SHARE * fnumber**2
        self._z_um = np.sqrt(step * np.arange(math.ceil(self.reach_um**2 / step) + 1))
        self._step = step
        self.rings, self._coarse = plan.count, int(np.count_nonzero(nu_px <= COARSE_CY_PX))
        self._plain = self._rows(0.0, 0.0)

    def coarse(self) -> MeterLaw:
        """Return the law at the coarse rings alone, which a smoothed picture still shows as the lens does."""
        if self._coarse < LEAST_COARSE:
            return self
        other = copy.copy(self)
        other.rings = self._coarse
        other._plain = other._rows(0.0, 0.0)
        return other

    def rows(self, w040_waves: float = 0.0, sharpening: float = 0.0) -> LawRows:
        """Return the law at a spherical aberration, with what a camera's sharpening adds to it.

        Sharpening as a filter is in the rings' own amplitudes. What it adds beyond is not linear:
        T + β·s·(T − T³), s the share that a blur of 1 px takes from the ring; by misfit, no source.
        """
        return self._rows(w040_waves, sharpening) if w040_waves or sharpening else self._plain

    def _rows(self, w040_waves: float, sharpening: float) -> LawRows:
        part = self._template.slice(w040_waves)
        sides = []
        for sign in (1.0, -1.0):
            transfer = part.at(sign * self._z_um + part.peak_um)[0]
            if sharpening:
                transfer = transfer + sharpening * self._gain * transfer * (1.0 - transfer * transfer)
            sides.append(transfer)
        even, odd = (sides[0] + sides[1]) / 2.0, (sides[0] - sides[1]) / 2.0
        return LawRows(self._step, even, odd).only(slice(self.rings))


@njit(cache=True)
def law_at(even, odd, step, square, side):  # type: ignore[no-untyped-def]
    """Value and slope by the square of defocus of every ring, each (frames, rings); even part from below 0.

    The odd part is taken at the square's place without its slope, which has no limit at 0.
    """
    frames, rings = square.size, even.shape[1]
    value, slope = np.empty((frames, rings)), np.empty((frames, rings))
    for k in range(frames):
        x = square[k] / step
        i = min(max(int(x), 0), even.shape[0] - 2)
        u = x - i
        inside = min(max(u, 0.0), 1.0)
        root = 0.0
        if i == 0:
            root = math.sqrt(inside)
        for j in range(rings):
            rise = even[i + 1, j] - even[i, j]
            bent = odd[i, j] + (odd[i + 1, j] - odd[i, j]) * (root if i == 0 else inside)
            value[k, j] = even[i, j] + u * rise + side[k] * bent
            slope[k, j] = rise / step
    return value, slope


@njit(cache=True)
def squares_of(y, weight, amplitude, even, odd, step, side):  # type: ignore[no-untyped-def]
    """Square of defocus of every frame by least squares over its rings, and its information, (frames,).

    From the best of coarse places.
    """
    frames, rings = y.shape
    knots = even.shape[0]
    out, information = np.empty(frames), np.empty(frames)
    for k in range(frames):
        best, square = math.inf, 0.0
        for n in range(64):
            i = int((knots - 2) * (n / 63.0) ** 2)
            cost = 0.0
            for j in range(rings):
                cost += weight[k, j] * (y[k, j] - amplitude[j] * (even[i, j] + side[k] * odd[i, j])) ** 2
            if cost < best:
                best, square = cost, i * step
        for _ in range(12):
            x = square / step
            i = min(max(int(x), 0), knots - 2)
            u = x - i
            inside = min(max(u, 0.0), 1.0)
            if i == 0:
                inside = math.sqrt(inside)
            along, size = 0.0, 0.0
            for j in range(rings):
                rise = even[i + 1, j] - even[i, j]
                bent = odd[i, j] + (odd[i + 1, j] - odd[i, j]) * inside
                g = amplitude[j] * rise / step
                r = y[k, j] - amplitude[j] * (even[i, j] + u * rise + side[k] * bent)
                along += weight[k, j] * g * r
                size += weight[k, j] * g * g
            change = along / max(size, 1e-300)
            most = 0.3 * abs(square) + 8.0 * step
            change = min(max(change, -most), most)
            square = min(max(square + change, -40.0 * step), (knots - 1.0) * step)
            if abs(change) < 1e-4 * step:
                break
        out[k], information[k] = square, size
    return out, information
