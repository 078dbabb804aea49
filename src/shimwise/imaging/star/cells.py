"""Modulation of a spoke star, ring by ring and sector by sector, on the pixels as they are.

Each cell (a ring crossed with one of 16 sectors) is fitted by a + b·cos nθ + c·sin nθ at the exact chart
angle θ of every pixel centre. Nothing is resampled: resampling to polar coordinates costs up to 0.1 of
modulation. A cell keeps 14 sums instead of its pixels, so that a frame is read once and then dropped.
"""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN201, ANN202

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from shimwise.arrays import FloatArray
from shimwise.imaging.star.rings import SECTORS, RingPlan

SUMS = 14
"""Sums of a cell: 1, c, s, c², cs, y, yc, ys, y², t, tc, ts, tc², tcs, where c and s are cos nθ and sin nθ at
a pixel, y its value, t its frequency's share above the ring's. s² and ts² follow from c² + s² = 1."""
LEAST_PIXELS = 4
"""Fewer pixels than this cannot be fitted by three unknowns with a residual."""
LEAST_DETERMINANT = 0.02
"""Determinant of the waves' covariance below which a cell is left out: 1/4 if pixels cover all phases evenly,
0 if they lie at one phase; chosen."""
UNKNOWNS = 3
OCTANT_SLOPE = math.tan(math.pi / 8)
"""Slope that halves the angle between an axis and the diagonal: borders of the 16 sectors."""


@dataclass(frozen=True, slots=True)
class StarSums:
    """Sums of the normal equations of every cell (rings, 16, 14), and counts of clipped pixels."""

    sums: FloatArray
    saturated: int
    black: int


@dataclass(frozen=True, slots=True)
class Cells:
    """Fitted cells of one star over frames; every array has the shape (frames, rings, 16).

    ``modulation`` is (b + i·c)/a, ``mean`` is a, ``pixels`` counts pixels; ``noise`` is the residual's
    standard deviation per pixel and frame as a share of the mean, shape (frames,). ``lean`` is the fit
    (second axis: a, b and c) of a signal of unit modulation cos nθ or sin nθ (first axis) that grows with
    the frequency in the cell: see :meth:`detuning`.
    """

    modulation: NDArray[np.complex128]
    mean: FloatArray
    pixels: FloatArray
    noise: FloatArray
    lean: FloatArray

    def detuning(self, phase_rad: FloatArray) -> FloatArray:
        """Compute how far a cell's frequency lies from its ring's, as a share, (frames, rings, 16).

        A cell holds a handful of pixels, and which of them lie between the ring's edges changes as the
        picture moves: their mean frequency is weighted as the fit weights them. ``phase_rad`` is the spokes'
        phase in every cell.
        """
        cosine, sine = np.cos(phase_rad), np.sin(phase_rad)
        mean, b, c = (cosine * self.lean[0, k] + sine * self.lean[1, k] for k in range(3))
        locked = (self.modulation * np.exp(-1j * phase_rad)).real
        return np.asarray(b * cosine + c * sine - locked * mean, dtype=np.float64)

    def power(self) -> FloatArray:
        """Compute the squared modulation summed over pixels, (frames,): how sharp each frame is."""
        return np.asarray(np.sum(self.pixels * np.abs(self.modulation) ** 2, axis=(1, 2)), dtype=np.float64)

    def with_frames(self, frames: list[int], other: Cells) -> Cells:
        """Return the cells with some frames replaced by those of ``other``, in order."""
        modulation, mean, pixels = self.modulation.copy(), self.mean.copy(), self.pixels.copy()
        noise, lean = self.noise.copy(), self.lean.copy()
        modulation[frames], mean[frames], pixels[frames] = other.modulation, other.mean, other.pixels
        noise[frames], lean[:, :, frames] = other.noise, other.lean
        return Cells(modulation, mean, pixels, noise, lean)


def sum_star(
    frame: NDArray[np.float32],
    *,
    left: int,
    top: int,
    to_star: FloatArray,
    plan: RingPlan,
    white: float = math.inf,
    black: float = -math.inf,
) -> StarSums:
    """Sum every cell's normal equations over the pixels of a crop.

    Parameters
    ----------
    frame : ndarray
        The crop, linear, float32, (rows, columns).
    left, top : int
        Column and row of the crop's first pixel in the frame.
    to_star : ndarray
        Homography (3, 3) from frame pixels to mm on the sheet about the star's centre.
    plan : RingPlan
        The rings.
    white, black : float
        Values at or beyond which a pixel counts as clipped.
    """
    reach_mm = float(plan.spokes / (2.0 * math.pi * plan.edges_cy_mm[0]))
    to_px = np.asarray(np.linalg.inv(to_star), dtype=np.float64)
    columns, rows = _extent(to_px, reach_mm, frame.shape, left, top)
    sums = np.zeros((plan.count * SECTORS, SUMS))
    share = np.asarray(1.0 / plan.mean_on_sheet, dtype=np.float32)
    first, second = (float(edge) for edge in plan.edges_cy_mm[:2])
    clipped = _accumulate(
        frame,
        left,
        top,
        rows,
        columns,
        to_star,
        plan.spokes,
        first,
        1.0 / (second - first),
        share,
        white,
        black,
        sums,
    )
    return StarSums(sums.reshape(plan.count, SECTORS, SUMS), *clipped)


def solve_cells(sums: FloatArray) -> Cells:
    """Solve the cells' normal equations, sums of shape (frames, rings, 16, 14).

    The mean is eliminated first, which leaves two unknowns and a determinant that shows whether the pixels'
    phases can separate cosine from sine.
    """
    n, c, s, cc, cs, y, yc, ys, yy, t, tc, ts, tcc, tcs = np.moveaxis(sums, -1, 0)
    ok = n >= LEAST_PIXELS
    n_safe = np.where(ok, n, 1.0)
    mc, ms, my = c / n_safe, s / n_safe, y / n_safe
    vcc = np.where(ok, cc - n * mc * mc, 1.0)
    vss = np.where(ok, (n - cc) - n * ms * ms, 1.0)
    vcs = np.where(ok, cs - n * mc * ms, 0.0)
    det = vcc * vss - vcs * vcs
    ok &= det > LEAST_DETERMINANT * n_safe * n_safe
    det = np.where(ok, det, 1.0)

    def fitted(plain: FloatArray, along_c: FloatArray, along_s: FloatArray) -> FloatArray:
        """Return the constant, cosine and sine part of a signal from its sums with 1 and the two waves."""
        rc, rs = along_c - plain * mc, along_s - plain * ms
        b, q = (vss * rc - vcs * rs) / det, (vcc * rs - vcs * rc) / det
        return np.stack([plain / n_safe - b * mc - q * ms, b, q])

    mean, b, q = fitted(y, yc, ys)
    lean = np.stack([fitted(tc, tcc, tcs), fitted(ts, tcs, t - tcc)])
    ok &= mean > 0
    safe = np.where(ok, mean, 1.0)
    left = yy - n * my * my - b * (yc - y * mc) - q * (ys - y * ms)
    residual = np.where(ok, np.maximum(left, 0.0) / safe**2, 0.0)
    pixels = np.where(ok, n, 0.0)
    freedom = np.maximum((np.where(ok, n - UNKNOWNS, 0.0)).sum(axis=(1, 2)), 1.0)
    noise = np.sqrt(residual.sum(axis=(1, 2)) / freedom)
    modulation = np.where(ok, (b + 1j * q) / safe, 0.0)
    return Cells(modulation, np.where(ok, mean, 0.0), pixels, noise, np.where(ok, lean, 0.0))


def _extent(
    to_px: FloatArray, reach_mm: float, shape: tuple[int, ...], left: int, top: int
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the columns and rows of the crop that a disc on the sheet can touch."""
    turn = np.linspace(0.0, 2.0 * np.pi, 25)
    points = to_px @ np.vstack(
        [1.05 * reach_mm * np.cos(turn), 1.05 * reach_mm * np.sin(turn), np.ones_like(turn)]
    )
    x, y = points[0] / points[2] - left, points[1] / points[2] - top
    columns = max(int(x.min()), 0), min(int(x.max()) + 2, shape[1])
    rows = max(int(y.min()), 0), min(int(y.max()) + 2, shape[0])
    return columns, rows


@njit(cache=True, fastmath={"contract", "arcp", "reassoc", "nsz"})
def _accumulate(  # type: ignore[no-untyped-def]
    frame,
    left,
    top,
    rows,
    columns,
    g,
    spokes,
    first,
    per_step,
    share,
    white,
    black,
    sums,
):
    """Sum row by row: first angles and cell numbers of the whole row, then the sums.

    The first loop has no branch that leaves it, so that the compiler vectorises it in 32 bits: enough for a
    place about the star's centre. The sums are in 64 bits, because solving takes differences of large sums.
    """
    start, stop = columns
    width = max(stop - start, 0)
    cosine, sine = np.empty(width, np.float32), np.empty(width, np.float32)
    base_c, base_s = np.empty(width, np.float32), np.empty(width, np.float32)
    cell, frequency = np.empty(width, np.int32), np.empty(width, np.float32)
    rings = share.size
    scale = np.float32(spokes / (2.0 * np.pi))
    first32, per_step32 = np.float32(first), np.float32(per_step)
    saturated, blackened = 0, 0
    for row in range(rows[0], rows[1]):
        y_px = row + top
        for k in range(width):
            x_px = k + start + left
            w = 1.0 / (g[2, 0] * x_px + g[2, 1] * y_px + g[2, 2])
            x = np.float32((g[0, 0] * x_px + g[0, 1] * y_px + g[0, 2]) * w)
            y = np.float32((g[1, 0] * x_px + g[1, 1] * y_px + g[1, 2]) * w)
            inverse = np.float32(1.0) / np.sqrt(x * x + y * y + np.float32(1e-12))
            frequency[k] = scale * inverse
            ring = np.int32(np.floor((frequency[k] - first32) * per_step32))
            cell[k] = ring * np.int32(SECTORS) + sector_of(x, y)
            base_c[k] = x * inverse
            base_s[k] = y * inverse
        raise_to(cosine, sine, base_c, base_s, spokes, width)
        for k in range(width):
            i = cell[k]
            if i < 0 or i >= rings * SECTORS:
                continue
            value = np.float64(frame[row, k + start])
            if not np.isfinite(value):
                continue
            if value >= white:
                saturated += 1
            if value <= black:
                blackened += 1
            off = np.float64(frequency[k] * share[i // SECTORS]) - 1.0
            _add(sums[i], np.float64(cosine[k]), np.float64(sine[k]), value, off)
    return saturated, blackened


@njit(cache=True, inline="always")
def _add(cell, c, s, value, off):  # type: ignore[no-untyped-def]
    """Add a pixel: cosine and sine of n times its angle, its value, its frequency off the ring's."""
    cell[0] += 1.0
    cell[1] += c
    cell[2] += s
    cell[3] += c * c
    cell[4] += c * s
    cell[5] += value
    cell[6] += value * c
    cell[7] += value * s
    cell[8] += value * value
    cell[9] += off
    cell[10] += off * c
    cell[11] += off * s
    cell[12] += off * c * c
    cell[13] += off * c * s


@njit(cache=True, inline="always")
def sector_of(x, y):  # type: ignore[no-untyped-def]
    """Return the sector of a place about the centre, of 16 from x towards y, in 32 bits."""
    ax, ay = abs(x), abs(y)
    low, high = min(ax, ay), max(ax, ay)
    half = np.int32(low > np.float32(OCTANT_SLOPE) * high)
    part = half if ay <= ax else np.int32(3) - half
    if x < 0:
        part = np.int32(7) - part
    if y < 0:
        part = np.int32(15) - part
    return part


@njit(cache=True, fastmath=True)
def raise_to(cosine, sine, base_c, base_s, spokes, count):  # type: ignore[no-untyped-def]
    """Raise ``count`` unit numbers cos θ + i sin θ of a row to the spokes' power by squaring.

    It gives cos nθ and sin nθ in about 2·log₂ n products, without a call of arctangent, cosine or sine.
    """
    bit = 1
    while bit * 2 <= spokes:
        bit *= 2
    for k in range(count):  # a part of an array set from another takes numba 4 s to compile
        cosine[k], sine[k] = base_c[k], base_s[k]
    bit //= 2
    while bit > 0:
        if (spokes & bit) != 0:
            for k in range(count):
                c, s = cosine[k], sine[k]
                a, b = c * c - s * s, np.float32(2.0) * c * s
                cosine[k] = a * base_c[k] - b * base_s[k]
                sine[k] = a * base_s[k] + b * base_c[k]
        else:
            for k in range(count):
                c, s = cosine[k], sine[k]
                cosine[k], sine[k] = c * c - s * s, np.float32(2.0) * c * s
        bit //= 2
