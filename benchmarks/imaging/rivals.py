"""The honest rivals: two usual measures of sharpness and a Gaussian fit through focus.

References
----------
.. [1] J. M. Tenenbaum, *Accommodation in Computer Vision* (1970): the gradient energy of the Sobel operator.
.. [2] J. L. Pech-Pacheco and others, "Diatom autofocusing in brightfield microscopy" (2000): the variance of
   the Laplacian. Both as OpenCV computes the operators; titles from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

__all__ = ["gaussian_peak_um", "laplacian_variances", "tenengrads"]

Floats = NDArray[np.float64]


def tenengrads(frames: Sequence[NDArray[np.float32]]) -> Floats:
    """Mean squared Sobel gradient of each frame."""
    return np.array([_tenengrad(frame) for frame in frames])


def laplacian_variances(frames: Sequence[NDArray[np.float32]]) -> Floats:
    """Variance of the Laplacian of each frame."""
    return np.array([float(cv2.Laplacian(frame, cv2.CV_32F).var(dtype=float)) for frame in frames])


def gaussian_peak_um(positions_um: Floats, sharpness: Floats) -> float:
    """Centre of a Gaussian plus constant fitted to sharpness over position, µm."""
    floor, height = float(sharpness.min()), float(np.ptp(sharpness))
    scaled = (sharpness - floor) / height
    middle = positions_um[int(np.argmax(scaled))]
    width = max(float(np.sum(scaled) * np.diff(positions_um).mean() / 2.5), 1.0)

    def lack(p: Floats) -> Floats:
        bell = np.exp(-0.5 * ((positions_um - p[2]) / p[3]) ** 2)
        return np.asarray(p[0] + p[1] * bell - scaled)

    return float(least_squares(lack, [0.0, 1.0, middle, width], x_scale=[1, 1, width, width]).x[2])


def _tenengrad(frame: NDArray[np.float32]) -> float:
    across, down = (cv2.Sobel(frame, cv2.CV_32F, dx, 1 - dx) for dx in (1, 0))
    return float(np.mean(across**2 + down**2, dtype=float))
