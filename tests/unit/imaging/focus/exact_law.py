"""The transfer of a defocused circular pupil, written apart from the estimator's."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def exact_otf(
    frequency_cy_mm: FloatArray, defocus_um: FloatArray, *, fnumber: float, w040: float = 0.0
) -> FloatArray:
    """Overlap of two shifted pupils by Gauss's rule over strips; path z (1 − cos u), (defocus, frequency)."""
    node, weight = np.polynomial.legendre.leggauss(28)
    out = np.zeros((defocus_um.size, frequency_cy_mm.size))
    for j, shift in enumerate(0.55e-3 * fnumber * frequency_cy_mm):
        x = (1 - shift) * node[:, None]
        half = np.sqrt(1 - (np.abs(x) + shift) ** 2)
        y, area = half * node, (1 - shift) * half * np.outer(weight, weight)
        ahead, behind = (x + shift) ** 2 + y**2, (x - shift) ** 2 + y**2
        edge = 4 * fnumber**2
        per_um = (np.sqrt(1 - behind / edge) - np.sqrt(1 - ahead / edge)) / 0.55
        waves = w040 * (ahead**2 - behind**2)
        turns = defocus_um[:, None, None] * per_um + waves
        out[:, j] = np.sum(area * np.cos(2 * np.pi * turns), axis=(1, 2)) / np.pi
    return out
