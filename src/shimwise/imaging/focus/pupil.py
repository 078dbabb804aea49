"""Transfer of a circular pupil with defocus and spherical aberration, with the slopes that a fit needs.

The wave over the pupil is W(ρ) = W20·ρ² + W040·ρ⁴, in waves; W20 = dz/(8 N² λ) (small angles), dz the sensor
position less the paraxial focus, + away from the lens.
"""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN202

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from shimwise.errors import ImagingError

GREEN_UM = 0.55
"""Wavelength in whose waves aberration is reported, µm."""

FloatArray = NDArray[np.float64]


class Transfer(NamedTuple):
    """Signed transfer, its slopes by defocus [1/µm], ln N and W040 [1/wave]; each of shape (z, ν)."""

    value: FloatArray
    by_defocus: FloatArray
    by_log_fnumber: FloatArray
    by_w040: FloatArray


class BandPeak(NamedTuple):
    """Where the mean transfer of a band is largest, from the paraxial focus [µm], and its slopes."""

    peak_um: float
    by_log_fnumber: float
    by_w040: float


def aberrated_otf(
    *,
    frequency_cy_mm: ArrayLike,
    defocus_um: ArrayLike,
    fnumber: float,
    w040_waves: float = 0.0,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
) -> FloatArray:
    """Signed optical transfer, the mean over the wavelengths. [-1 to 1, negative: contrast reversed]

    Parameters
    ----------
    frequency_cy_mm : array_like
        Spatial frequencies at the sensor, cycles/mm, 0 or more.
    defocus_um : array_like
        Sensor position less paraxial focus, µm, + away from the lens.
    fnumber : float
        Focal ratio N, above 0.
    w040_waves : float
        Spherical aberration at the pupil's edge, waves at 0.55 µm.
    wavelengths_um : tuple of float
        Wavelengths of equal weight, µm.

    Returns
    -------
    ndarray
        Shape (defocus, frequency). Absolute error below 1e-6 to 5 waves of phase between the pupils.

    Raises
    ------
    ImagingError
        When the focal ratio or a wavelength is not a number above 0, or a frequency is negative.

    References
    ----------
    .. [1] H. H. Hopkins, "The frequency response of a defocused optical system", Proc. R. Soc. A 231 (1955).
    .. [2] J. W. Goodman, *Introduction to Fourier Optics*, aberrations and the transfer function (from
       memory).
    """
    frequency = np.atleast_1d(np.asarray(frequency_cy_mm, dtype=np.float64))
    defocus = np.atleast_1d(np.asarray(defocus_um, dtype=np.float64))
    _refuse_impossible(frequency, fnumber, wavelengths_um)
    return _mean_transfer(frequency, defocus, fnumber, w040_waves, wavelengths_um)[0]


def transfer_slopes(
    frequency_cy_mm: FloatArray,
    defocus_um: FloatArray,
    *,
    fnumber: float,
    w040_waves: float,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
) -> Transfer:
    """Transfer of :func:`aberrated_otf` with its slopes by defocus, ln N and W040."""
    args = (w040_waves, wavelengths_um)
    value, by_defocus, by_w040 = _mean_transfer(frequency_cy_mm, defocus_um, fnumber, *args)
    step = 1e-4
    nearby = _mean_transfer(frequency_cy_mm, defocus_um, fnumber * np.exp(step), *args)[0]
    return Transfer(value, by_defocus, (nearby - value) / step, by_w040)


def band_mean(
    defocus_um: ArrayLike,
    *,
    band_cy_mm: tuple[float, float],
    fnumber: float,
    w040_waves: float,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
) -> FloatArray:
    """Mean lens transfer at 43 equal steps of a band, its ends among them, at each defocus [µm].

    Summed by Gauss's rule over the band widened by half a step at either end, which is the same to 1e-6.
    """
    nodes, weights = _rule(_BAND_NODES)
    half_step = 0.5 * (band_cy_mm[1] - band_cy_mm[0]) / (BAND_COUNT - 1)
    low, high = max(band_cy_mm[0] - half_step, 0.0), band_cy_mm[1] + half_step
    transfer = aberrated_otf(
        frequency_cy_mm=low + (high - low) * 0.5 * (nodes + 1.0),
        defocus_um=defocus_um,
        fnumber=fnumber,
        w040_waves=w040_waves,
        wavelengths_um=wavelengths_um,
    )
    return transfer @ weights / 2.0


def band_peak(
    *,
    band_cy_mm: tuple[float, float],
    fnumber: float,
    w040_waves: float,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
) -> BandPeak:
    """Find where the mean transfer of a band is largest [µm from paraxial focus], with its slopes.

    The peak that is reported when a lens has spherical aberration depends on the band: name the band.
    """

    def find(log_ratio: float, w040: float) -> float:
        return _largest(band_cy_mm, fnumber * float(np.exp(log_ratio)), w040, wavelengths_um)

    if w040_waves == 0.0:
        return BandPeak(0.0, 0.0, (find(0.0, 1e-3) - find(0.0, -1e-3)) / 2e-3)
    by_n = (find(0.01, w040_waves) - find(-0.01, w040_waves)) / 0.02
    by_w = (find(0.0, w040_waves + 1e-3) - find(0.0, w040_waves - 1e-3)) / 2e-3
    return BandPeak(find(0.0, w040_waves), by_n, by_w)


def band_peak_um(
    *,
    band_cy_mm: tuple[float, float],
    fnumber: float,
    w040_waves: float,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
) -> float:
    """Find where the mean transfer of a band is largest, from the paraxial focus. [µm]"""
    if w040_waves == 0.0:
        return 0.0
    return _largest(band_cy_mm, fnumber, w040_waves, wavelengths_um)


BAND_COUNT = 43
_BAND_NODES = 10


def _largest(band: tuple[float, float], fnumber: float, w040: float, wavelengths: tuple[float, ...]) -> float:
    """Scan two depths each way, then refine by parabolas: the mean is smooth at its peak."""
    depth_um = 8.0 * fnumber**2 * GREEN_UM

    def mean(defocus_um: FloatArray) -> FloatArray:
        return band_mean(
            defocus_um, band_cy_mm=band, fnumber=fnumber, w040_waves=w040, wavelengths_um=wavelengths
        )

    # The mid focus between marginal and paraxial is W20 = -W040: the peak lies near it.
    scan = depth_um * (-w040 + np.linspace(-1.0, 1.0, 41))
    centre = float(scan[int(np.argmax(mean(scan)))])
    for width in (0.05, 0.004):
        offsets = depth_um * width * np.linspace(-1.0, 1.0, 5)
        curve = np.polynomial.polynomial.polyfit(offsets, mean(centre + offsets), 2)
        centre += float(np.clip(-curve[1] / (2.0 * min(curve[2], -1e-30)), offsets[0], offsets[-1]))
    return centre


@lru_cache(maxsize=256)
def _rule(count: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights on -1 to 1."""
    return np.polynomial.legendre.leggauss(count)


def _refuse_impossible(frequency: FloatArray, fnumber: float, wavelengths: tuple[float, ...]) -> None:
    if not fnumber > 0 or not np.isfinite(fnumber):
        raise ImagingError(f"A focal ratio of {fnumber} cannot be imaged with: give a number above 0.")
    if not wavelengths or min(wavelengths) <= 0:
        raise ImagingError(f"Wavelengths of {wavelengths} µm cannot be used: give numbers above 0.")
    if frequency.size and not frequency.min() >= 0:
        raise ImagingError(f"A frequency of {frequency.min()} cycles/mm cannot be used: give 0 or more.")


def _mean_transfer(
    frequency: FloatArray, defocus: FloatArray, fnumber: float, w040: float, wavelengths: tuple[float, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    shape = (defocus.size, frequency.size)
    value, by_defocus, by_w040 = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for wavelength in wavelengths:
        per_um = 1.0 / (8.0 * fnumber**2 * wavelength)
        reduced = np.minimum(frequency * wavelength * 1e-3 * fnumber, 1.0)
        turns = 4.0 * np.abs(defocus).max(initial=0.0) * per_um * np.max(reduced * (1 - reduced), initial=0.0)
        outer = _rule(int(min(14 + 4 * turns, 160)))
        inner = _rule(6 if abs(w040) < 1.0 else 12)
        ratio = GREEN_UM / wavelength
        out = _overlap(reduced, defocus * per_um, w040 * ratio, *outer, *inner)
        value += out[0]
        by_defocus += out[1] * per_um
        by_w040 += out[2] * ratio
    count = len(wavelengths)
    return value / count, by_defocus / count, by_w040 / count


@njit(cache=True, fastmath=True)
def _overlap(reduced, w20, w040, x_nodes, x_weights, y_nodes, y_weights):  # type: ignore[no-untyped-def]
    """Quarter of the two pupils' overlap, x = (1 − s)(1 − u²) so that the rim's root is smooth."""
    count_z, count_f = w20.size, reduced.size
    out = np.zeros((3, count_z, count_f))
    two_pi = 2.0 * np.pi
    for j in range(count_f):
        s = reduced[j]
        if s >= 1.0:
            continue
        for a in range(x_nodes.size):
            u = 0.5 * (x_nodes[a] + 1.0)
            x = (1.0 - s) * (1.0 - u * u)
            height = np.sqrt(max(1.0 - (x + s) ** 2, 0.0))
            weight_x = 0.5 * x_weights[a] * (1.0 - s) * 2.0 * u * height * 0.5 * 4.0 / np.pi
            if w040 == 0.0:
                # The integrand does not change with y; its slope by W040 needs the mean of y² only.
                slope_y = x * x + s * s + height * height / 3.0
                for i in range(count_z):
                    phase = two_pi * x * s * 4.0 * w20[i]
                    sine = np.sin(phase) * two_pi * x * s * 2.0 * weight_x
                    out[0, i, j] += 2.0 * weight_x * np.cos(phase)
                    out[1, i, j] -= 4.0 * sine
                    out[2, i, j] -= 8.0 * sine * slope_y
                continue
            for b in range(y_nodes.size):
                y = 0.5 * (y_nodes[b] + 1.0) * height
                weight = weight_x * y_weights[b]
                path = 8.0 * (x * x + y * y + s * s)
                turn = two_pi * x * s
                for i in range(count_z):
                    phase = turn * (4.0 * w20[i] + w040 * path)
                    sine = np.sin(phase) * turn * weight
                    out[0, i, j] += weight * np.cos(phase)
                    out[1, i, j] -= 4.0 * sine
                    out[2, i, j] -= path * sine
    return out
