"""Tables of a lens's through-focus transfer by the exact law of defocus, with spherical aberration.

A table holds the transfer on a grid of aberration and defocus and at Chebyshev nodes of the frequency. It is
computed once for a focal ratio; every star of a sweep reads its rings from it.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.optics.blur import GREEN_UM

MAX_WAVES, STEP_WAVES = 1.6, 0.1
"""Reach and step of the table in spherical aberration, waves at 0.55 µm."""

STEPS_PER_TURN = 16
"""Grid steps in a turn of the fastest phase: six-point interpolation is then good to 2e-5."""


@dataclass(frozen=True, slots=True)
class LawTable:
    """Signed transfer on a grid.

    Attributes
    ----------
    fnumber : float
        Focal ratio of the table.
    w040_waves : ndarray
        Spherical aberration, (waves,), waves at 0.55 µm, equally spaced.
    defocus_um : ndarray
        Sensor position less paraxial focus, (defocus,), µm, + away from the lens, equally spaced.
    frequency_cy_mm : ndarray
        Chebyshev nodes of the frequency, (nodes,), cycles/mm.
    low_cy_mm, high_cy_mm : float
        Ends of the nodes' interval.
    transfer : ndarray
        (waves, defocus, nodes).
    """

    fnumber: float
    w040_waves: FloatArray
    defocus_um: FloatArray
    frequency_cy_mm: FloatArray
    low_cy_mm: float
    high_cy_mm: float
    transfer: FloatArray


def wave_depth_um(fnumber: float) -> float:
    """Return the defocus that makes one wave at the pupil's edge, 8 N² λ at 0.55 µm. [µm]"""
    return 8.0 * fnumber**2 * GREEN_UM


@lru_cache(maxsize=8)
def law_table(
    *,
    fnumber: float,
    reach_um: float,
    low_cy_mm: float,
    high_cy_mm: float,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
) -> LawTable:
    """Compute the transfer of a round pupil by the exact law of defocus.

    Parameters
    ----------
    fnumber : float
        Focal ratio, above 0.5.
    reach_um : float
        Largest defocus from the paraxial focus, either way, µm.
    low_cy_mm, high_cy_mm : float
        Frequencies covered, cycles/mm.
    wavelengths_um : tuple of float
        Wavelengths of equal weight, µm.

    Raises
    ------
    ImagingError
        When the focal ratio is 0.5 or less, or a wavelength is not above 0.

    Notes
    -----
    Path difference at the pupil radius ρ: z·(1 − cos u) with sin u = ρ/(2N), plus W040·ρ⁴ [1]_. Integrated
    over a quarter of the overlap of the two shifted pupils by Gauss's rule [2]_, x = (1 − s)(1 − v²) so
    that the root at the rim is smooth.

    References
    ----------
    .. [1] P. A. Stokseth, "Properties of a defocused optical system", J. Opt. Soc. Am. 59 (1969): the exact
       path difference (from memory).
    .. [2] H. H. Hopkins, "The frequency response of a defocused optical system", Proc. R. Soc. A 231 (1955).
    """
    if not fnumber > 0.5:
        raise ImagingError(f"A focal ratio of {fnumber} cannot be imaged with: give a number above 0.5.")
    if not wavelengths_um or min(wavelengths_um) <= 0:
        raise ImagingError(f"Wavelengths of {wavelengths_um} µm cannot be used: give numbers above 0.")
    shortest = min(wavelengths_um)
    reduced = high_cy_mm * max(wavelengths_um) * 1e-3 * fnumber
    fastest = 4.0 * min(reduced, 0.5) * (1.0 - min(reduced, 0.5)) if reduced > 0 else 0.1
    waves = reach_um / (8.0 * fnumber**2 * shortest)
    half = max(8, math.ceil(waves * STEPS_PER_TURN * max(fastest, 0.15)))
    defocus = reach_um * np.linspace(-1.0, 1.0, 2 * half + 1)
    half_w = round(MAX_WAVES / STEP_WAVES)
    w040: FloatArray = np.asarray(STEP_WAVES * np.arange(-half_w, half_w + 1), dtype=np.float64)
    blur_mm = reach_um * 1e-3 / (2.0 * fnumber)
    count = 14 + math.ceil(3.3 * (high_cy_mm - low_cy_mm) * 2.0 * blur_mm)
    frequency = chebyshev_nodes(low_cy_mm, high_cy_mm, count)
    turns = waves * fastest + 1.0
    points = math.ceil(10 + 3.0 * turns)
    transfer = np.zeros((w040.size, defocus.size, count))
    for wavelength in wavelengths_um:
        for j, nu in enumerate(frequency):
            s = float(nu) * wavelength * 1e-3 * fnumber
            if s < 1.0:
                transfer[:, :, j] += _overlap(
                    s, w040 * GREEN_UM / wavelength, defocus / wavelength, fnumber, points
                )
    return LawTable(fnumber, w040, defocus, frequency, low_cy_mm, high_cy_mm, transfer / len(wavelengths_um))


def chebyshev_nodes(low: float, high: float, count: int) -> FloatArray:
    """Return Chebyshev nodes of the first kind between two ends, descending."""
    return low + (high - low) * (1.0 + np.cos(np.pi * (np.arange(count) + 0.5) / count)) / 2.0


def interpolation_matrix(nodes: FloatArray, at: FloatArray) -> FloatArray:
    """Return the matrix (at, nodes) that takes values at Chebyshev nodes to values at other places.

    References
    ----------
    .. [1] J.-P. Berrut and L. N. Trefethen, "Barycentric Lagrange interpolation", SIAM Review 46 (2004).
    """
    count = nodes.size
    sign = np.where(np.arange(count) % 2 == 0, 1.0, -1.0) * np.sin(np.pi * (np.arange(count) + 0.5) / count)
    apart = at[:, None] - nodes[None, :]
    hit = np.abs(apart) < 1e-12 * max(float(np.abs(nodes).max()), 1e-30)
    share = sign / np.where(hit, 1.0, apart)
    out = share / share.sum(axis=1, keepdims=True)
    return np.asarray(np.where(hit.any(axis=1, keepdims=True), hit.astype(np.float64), out))


def _overlap(s: float, w040: FloatArray, z_waves: FloatArray, fnumber: float, points: int) -> FloatArray:
    """Transfer at one reduced frequency, (waves, defocus); ``z_waves`` is the defocus in wavelengths."""
    v, wv = np.polynomial.legendre.leggauss(points)
    u, wu = np.polynomial.legendre.leggauss(8)
    v, wv, u, wu = (v + 1.0) / 2.0, wv / 2.0, (u + 1.0) / 2.0, wu / 2.0
    x = (1.0 - s) * (1.0 - v**2)
    height = np.sqrt(np.maximum(1.0 - (x + s) ** 2, 0.0))
    weight = (wv * (1.0 - s) * 2.0 * v * height * 4.0 / np.pi)[:, None] * wu
    y_squared = (height[:, None] * u) ** 2
    sine_squared = 1.0 / (4.0 * fnumber**2)
    plus, minus = (x[:, None] + s) ** 2 + y_squared, (x[:, None] - s) ** 2 + y_squared
    path = np.sqrt(1.0 - minus * sine_squared) - np.sqrt(np.maximum(1.0 - plus * sine_squared, 0.0))
    by_z = 2.0 * np.pi * path.ravel()
    by_w = 2.0 * np.pi * (plus**2 - minus**2).ravel()
    across, along = np.outer(w040, by_w), np.outer(by_z, z_waves)
    share = weight.ravel()
    return np.asarray((share * np.cos(across)) @ np.cos(along) - (share * np.sin(across)) @ np.sin(along))
