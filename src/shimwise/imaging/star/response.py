"""The transfer that a ring of a star shows: an average over frequencies, exact for a round blur.

A star is exp(inθ) = n ∫ J_n(2πρr) dρ/ρ · exp(inθ), so a ring shows the transfer averaged over ρ with that
weight, which lies close above n/(2πr). A grating of the local frequency is a wrong model where the blur is
not small beside the radius.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.star.rings import RingPlan

_RADII = 6
"""Gauss-Legendre radii over a ring's width; chosen, see the test against direct integration."""
_TAPER, _TAPER_SPOKES = 0.22, 12.0
"""Width over which the kernel's tail fades, as a share of n/(2πr), and in units of 1/n if that is wider."""
_STEP = 0.3
"""Step of ρ in units of 1/n of the ring's frequency: the kernel's own oscillation is wider; chosen."""
_SEEN, _MOST_SEEN = 1.6, 0.75
"""Blur radii by ring radius up to which the tail matters, and the most that is taken of it; chosen."""
_START_WIDTHS, _STOP_WIDTHS, _LEAST_RATIO = 4.5, 2.0, 0.2
"""The kernel rises over a width of n^(1/3) (DLMF 10.19(iii), from memory): so many widths are taken before
its rise and after, not below the last share of n/(2πr); chosen."""
_NODES, _NODES_PER_CYCLE = 10, 3.3
"""Chebyshev nodes at no blur, and more for each cycle that the blur's transfer makes over them; chosen."""
_TABLE_STEP = 0.02
"""Step of the table of J_n: linear between, error below 3e-6."""
_SAME_NODE = 1e-14
"""Relative gap below which a point is a node."""


@dataclass(frozen=True, slots=True)
class Response:
    """Rings as weighted sums of the transfer at a few frequencies: ``mix`` has the shape (nodes, rings)."""

    nodes_cy_mm: FloatArray
    mix: FloatArray


def plain_response(frequency_cy_mm: FloatArray) -> Response:
    """Return the response of rings that show the transfer at their own frequency alone."""
    return Response(frequency_cy_mm, np.eye(frequency_cy_mm.size))


def ring_response(plan: RingPlan, *, blur_um: float) -> Response:
    """Compute which frequencies each ring of a star shows.

    Parameters
    ----------
    plan : RingPlan
        Rings and spokes.
    blur_um : float
        Radius of the largest blur disc at the sensor, µm.

    Returns
    -------
    Response
        Chebyshev nodes over the frequencies that matter, and each ring's weights.

    References
    ----------
    .. [1] NIST DLMF 10.22.43: ∫ J_n(t) t^(k−1) dt, so that the weights of exp(inθ) add up to 1.
    .. [2] J.-P. Berrut and L. N. Trefethen, "Barycentric Lagrange interpolation", SIAM Review 46 (2004).
    """
    blur_mm = blur_um * 1e-3 / plan.magnification
    edges = plan.spokes / (2.0 * np.pi * plan.edges_cy_mm)
    kernels = [_kernel(plan.spokes, edges[j + 1], edges[j], blur_mm) for j in range(plan.count)]
    low = min(float(rho[0]) for rho, _ in kernels)
    high = max(float(rho[-1]) for rho, _ in kernels)
    count = _NODES + math.ceil(_NODES_PER_CYCLE * (high - low) * 2.0 * blur_mm)
    unit = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    nodes = low + (high - low) * (1.0 + unit) / 2.0
    mix = np.stack([weights @ _interpolator(nodes, rho) for rho, weights in kernels], axis=1)
    return Response(nodes / plan.magnification, mix)


def _kernel(spokes: int, inner_mm: float, outer_mm: float, blur_mm: float) -> tuple[FloatArray, FloatArray]:
    """Frequencies on the sheet [cycles/mm] and weights of a ring.

    The oscillating tail, which a blur of this size cannot see, is tapered away.
    """
    x, w = np.polynomial.legendre.leggauss(_RADII)
    radii = inner_mm + (outer_mm - inner_mm) * (x + 1.0) / 2.0
    share = w * radii / np.sum(w * radii)
    seen = min(_SEEN * blur_mm / inner_mm, _MOST_SEEN)
    spread = spokes ** (1.0 / 3.0) / spokes
    stop = max(1.0 / math.sqrt(1.0 - seen**2), 1.0 + _STOP_WIDTHS * spread) * outer_mm / inner_mm
    fade = max(_TAPER, _TAPER_SPOKES / spokes)
    ratio = np.arange(max(1.0 - _START_WIDTHS * spread, _LEAST_RATIO), stop + fade, _STEP / spokes)
    rho = ratio * spokes / (2.0 * np.pi * outer_mm)
    bessel = _bessel(spokes, 2.0 * np.pi * rho[:, None] * radii)
    taper = 0.5 * (1.0 + np.cos(np.pi * np.clip((ratio - stop) / fade, 0.0, 1.0)))
    weights = (bessel @ share) * taper / rho
    return rho, _with_true_moments(weights / np.sum(weights), rho, spokes, radii, share)


def _bessel(order: int, t: FloatArray) -> FloatArray:
    """Return J_n by linear interpolation in a table."""
    table = _bessel_table(order, math.ceil(float(t.max()) / order + 0.5) * order)
    return np.interp(t, table[0], table[1])


@lru_cache(maxsize=32)
def _bessel_table(order: int, limit: float) -> tuple[FloatArray, FloatArray]:
    from scipy.special import jv

    t = np.arange(0.0, limit, _TABLE_STEP)
    return t, np.asarray(jv(order, t), dtype=np.float64)


def _with_true_moments(
    weights: FloatArray, rho: FloatArray, spokes: int, radii: FloatArray, share: FloatArray
) -> FloatArray:
    """Return the weights with the moments of the whole kernel, to the fourth, by a small smooth addition.

    A transfer that is a polynomial of ρ to the fourth degree is then averaged exactly, in spite of the taper.
    n ∫ J_n(t) t^(k−1) dt is 1, n, n², n(n² − 1), n²(n² − 4) for k = 0 to 4.
    """
    n = float(spokes)
    turns = 2.0 * np.pi * radii
    raw = np.array([1.0, n, n**2, n * (n**2 - 1.0), n**2 * (n**2 - 4.0)])
    true = raw * np.array([share @ turns**-k for k in range(5)])
    centre = true[1]
    width = 2.0 * n ** (-2.0 / 3.0) * centre
    u = (rho - centre) / width
    # Moments about the centre in units of the width, from the raw ones.
    about = [
        sum(math.comb(k, m) * true[m] * (-centre) ** (k - m) for m in range(k + 1)) / width**k
        for k in range(5)
    ]
    powers = u[:, None] ** np.arange(5)
    smooth = np.exp(-0.5 * u * u)[:, None] * powers
    missing = np.array(about) - weights @ powers
    return np.asarray(weights + smooth @ np.linalg.solve(powers.T @ smooth, missing), dtype=np.float64)


def _interpolator(nodes: FloatArray, at: FloatArray) -> FloatArray:
    """Return the matrix from values at Chebyshev nodes of the first kind to points, (points, nodes)."""
    count = nodes.size
    signed = (-1.0) ** np.arange(count) * np.sin(np.pi * (np.arange(count) + 0.5) / count)
    gap = at[:, None] - nodes
    gap = np.where(np.abs(gap) < _SAME_NODE * np.abs(nodes), _SAME_NODE, gap)
    pull = signed / gap
    return np.asarray(pull / pull.sum(axis=1, keepdims=True), dtype=np.float64)
