"""Sums of a star's cells with rings fixed in pixels: eight a cell, for a feed's pace."""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN202

import numpy as np
from numba import njit
from numpy.typing import NDArray

from shimwise.arrays import FloatArray
from shimwise.imaging.star.cells import LEAST_DETERMINANT, LEAST_PIXELS, raise_to, sector_of
from shimwise.imaging.star.rings import SECTORS, RingPlan


def cell_amplitudes(
    picture: NDArray[np.float32], centre_px: tuple[float, float], plan: RingPlan
) -> tuple[NDArray[np.complex128], FloatArray, FloatArray]:
    """Return complex amplitude and mean of every cell by least squares, and its pixels, each (rings, 16).

    The mean is that of whole spokes: how the pixels lie on them does not change it.

    As :mod:`shimwise.imaging.star.cells`, of which it leaves out what a sweep needs and a feed does not: the
    detuning of cells, clipped pixels, noise.
    """
    edges = plan.edges_cy_mm
    per_step = 1.0 / float(edges[1] - edges[0])
    sums = np.zeros((plan.count * SECTORS, 8), np.float32)
    _accumulate(picture, *centre_px, plan.spokes, float(edges[0]), per_step, plan.count, sums)
    n, c, s, cc, cs, y, yc, ys = sums.reshape(plan.count, SECTORS, 8).astype(np.float64).transpose(2, 0, 1)
    safe = np.maximum(n, 1.0)
    vcc, vss, vcs = cc - c * c / safe, (n - cc) - s * s / safe, cs - c * s / safe
    rc, rs = yc - y * c / safe, ys - y * s / safe
    determinant = vcc * vss - vcs * vcs
    is_good = (n >= LEAST_PIXELS) & (determinant > LEAST_DETERMINANT * safe * safe)
    divisor = np.where(is_good, determinant, 1.0)
    real, imaginary = (vss * rc - vcs * rs) / divisor, (vcc * rs - vcs * rc) / divisor
    mean = (y - real * c - imaginary * s) / safe
    amplitude = np.where(is_good, real + 1j * imaginary, 0.0)
    return amplitude, np.where(is_good, mean, 0.0), np.where(is_good, n, 0.0)


@njit(cache=True, fastmath={"contract", "arcp", "reassoc", "nsz"})
def _accumulate(picture, x0, y0, spokes, first, per_step, rings, sums):  # type: ignore[no-untyped-def]
    """Sum row by row, the angles and cells of a row first: that loop is vectorised in 32 bits."""
    reach = spokes / (2.0 * np.pi * first)
    scale, first32, step32 = np.float32(spokes / (2.0 * np.pi)), np.float32(first), np.float32(per_step)
    width = picture.shape[1]
    cosine, sine = np.empty(width, np.float32), np.empty(width, np.float32)
    base_c, base_s = np.empty(width, np.float32), np.empty(width, np.float32)
    cell = np.empty(width, np.int32)
    for row in range(max(int(y0 - reach), 0), min(int(y0 + reach) + 2, picture.shape[0])):
        dy = row - y0
        if abs(dy) >= reach:
            continue
        half = np.sqrt(reach * reach - dy * dy)
        start, stop = max(int(x0 - half), 0), min(int(x0 + half) + 2, width)
        count = stop - start
        y = np.float32(dy)
        offset = np.float32(start - x0)
        for k in range(count):
            x = offset + np.float32(k)
            inverse = np.float32(1.0) / np.sqrt(x * x + y * y + np.float32(1e-12))
            ring = np.int32(np.floor((scale * inverse - first32) * step32))
            cell[k] = ring * np.int32(SECTORS) + sector_of(x, y)
            base_c[k] = x * inverse
            base_s[k] = y * inverse
        raise_to(cosine, sine, base_c, base_s, spokes, count)
        for k in range(count):
            i = cell[k]
            if i < 0 or i >= rings * SECTORS:
                continue
            c, s, value = cosine[k], sine[k], picture[row, k + start]
            one = sums[i]
            one[0] += np.float32(1.0)
            one[1] += c
            one[2] += s
            one[3] += c * c
            one[4] += c * s
            one[5] += value
            one[6] += value * c
            one[7] += value * s
