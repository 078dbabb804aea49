"""The even and odd terms of every ring in every frame, compiled."""

# Compiled kernels carry no annotations: numba reads the types of their first call. Loops over scalars, since
# expressions over arrays take numba ten times as long to compile: a part of an array set from another, 4 s.
# ruff: noqa: ANN001, ANN201

import numpy as np
from numba import njit

from shimwise.imaging.focus.lens.template import interpolated


@njit(cache=True)
def even_odd_terms(rows, first, step, peak, zeta, detuning, width, away):  # type: ignore[no-untyped-def]
    """Terms and their slopes by position, (frames, rings, 7) each.

    The template with its odd part and growth; two widths; two shoulders; the cube and the square of the even
    part; each of the last six less the even part.
    """
    frames, rings = zeta.size, rows.shape[2] - 1
    stretch = np.array([1.0, np.exp(2.0 * width), np.exp(-2.0 * width), 1.0, 1.0, 1.0, 1.0])
    shift = np.array([0.0, 0.0, 0.0, away, -away, 2.0 * away, -2.0 * away])
    places = np.empty(2 * 7 * frames)
    ahead = np.empty(frames)
    for k in range(frames):
        ahead[k] = peak + zeta[k]
        for a in range(7):
            offset = zeta[k] * stretch[a] + shift[a]
            places[(2 * a) * frames + k] = peak + offset
            places[(2 * a + 1) * frames + k] = peak - offset
    value, slope = interpolated(rows[0], first, step, places)
    orders = rows.shape[0] - 2
    growth, growth_slope = np.empty((orders, frames, rings)), np.empty((orders, frames, rings))
    for m in range(orders):
        grown, grown_slope = interpolated(rows[2 + m], first, step, ahead)
        for k in range(frames):
            for j in range(rings):
                growth[m, k, j], growth_slope[m, k, j] = grown[k, j], grown_slope[k, j]
    terms, slopes = np.empty((frames, rings, 7)), np.empty((frames, rings, 7))
    even, even_slope = np.empty(7), np.empty(7)
    for k in range(frames):
        for j in range(rings):
            for a in range(7):
                right, left = (2 * a) * frames + k, (2 * a + 1) * frames + k
                even[a] = (value[right, j] + value[left, j]) / 2.0
                even_slope[a] = stretch[a] * (slope[right, j] - slope[left, j]) / 2.0
            turn = detuning[k, j] if detuning.shape[1] == rings else 0.0
            e, by = even[0], even_slope[0]
            terms[k, j, 0], slopes[k, j, 0] = value[k, j], slope[k, j]
            power = 1.0
            for m in range(orders):
                power *= turn
                terms[k, j, 0] += power * growth[m, k, j]
                slopes[k, j, 0] += power * growth_slope[m, k, j]
            for b in range(2):
                terms[k, j, 1 + b] = even[1 + b] - e
                slopes[k, j, 1 + b] = even_slope[1 + b] - by
                terms[k, j, 3 + b] = (even[3 + 2 * b] + even[4 + 2 * b]) / 2.0 - e
                slopes[k, j, 3 + b] = (even_slope[3 + 2 * b] + even_slope[4 + 2 * b]) / 2.0 - by
            terms[k, j, 5] = e**3 - e
            slopes[k, j, 5] = (3.0 * e**2 - 1.0) * by
            terms[k, j, 6] = e**2 - e
            slopes[k, j, 6] = (2.0 * e - 1.0) * by
    return terms, slopes
