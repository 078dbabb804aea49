"""Through-focus peak without a chart: how strong the gradients of any textured target are, relative only.

Gradient energy divided by the squared mean needs no threshold and does not follow the lamp; its noise part is
the same in every frame and drops out as the constant of a Gaussian through focus.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.clusters import FrameGls, clustered_sd, t_quantile

__all__ = ["RelativePeak", "fit_relative_peak", "gradient_energy", "most_textured_region"]

FloatArray = NDArray[np.float64]

MIN_FRAMES = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativePeak:
    """Peak of a textured target [µm]. Relative: with aberration it moves with the target's detail."""

    best_um: float
    sd_um: float
    low_um: float
    high_um: float
    width_um: float
    label: str = "relative"


def gradient_energy(frame: NDArray[np.floating], *, step_px: int = 2) -> float:
    """Mean squared difference of pixels ``step_px`` apart along rows and columns, by the squared mean.

    Two pixels apart, the difference answers to detail up to half of the pixel's limit, where lenses still
    carry it, and noise counts half as much against it as with neighbours. NaN sites of a mosaic are left out.

    References
    ----------
    .. [1] E. Krotkov, "Focusing", Int. J. Computer Vision 1 (1987): gradient energy as a measure of focus.
    .. [2] S. Pertuz, D. Puig and M. Garcia, "Analysis of focus measure operators for shape-from-focus",
       Pattern Recognition 46 (2013).
    """
    pixels = np.asarray(frame, dtype=np.float32)
    mean = float(np.nanmean(pixels, dtype=np.float64))
    if not mean > 0:
        raise ImagingError(f"The region's mean is {mean:g}: it is black, or the black level is set too high.")
    along = pixels[:, step_px:] - pixels[:, :-step_px]
    down = pixels[step_px:] - pixels[:-step_px]
    return float(np.nanmean(along**2, dtype=np.float64) + np.nanmean(down**2, dtype=np.float64)) / mean**2


def most_textured_region(frame: NDArray[np.floating], *, side_px: int) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the square of the given side with the largest gradient energy."""
    height, width = frame.shape
    side = min(side_px, height, width)
    if side < 16:
        raise ImagingError(f"A region of {side} px is too small to measure: give 16 px or more.")
    step = max(side // 2, 1)
    places = [(x, y) for y in range(0, height - side + 1, step) for x in range(0, width - side + 1, step)]
    left, top = max(places, key=lambda p: gradient_energy(frame[p[1] : p[1] + side, p[0] : p[0] + side]))
    return left, top, left + side, top + side


def fit_relative_peak(
    position_um: FloatArray, energy: FloatArray, *, confidence: float = 0.95
) -> RelativePeak:
    """Fit a Gaussian and a constant to the energy through focus.

    Parameters
    ----------
    position_um : ndarray
        Positions, µm.
    energy : ndarray
        :func:`gradient_energy` of each frame.
    confidence : float
        Of the interval.

    Raises
    ------
    ImagingError
        With fewer than 7 frames over the peak, or a peak at the end of the sweep.

    Notes
    -----
    Gauss-Newton with the width kept between one step and the sweep; frames beyond 1.3 widths count less,
    since the real curve's skirts are not a Gaussian's. Interval from the frames' residuals.
    """
    z, y = np.asarray(position_um, dtype=np.float64), np.asarray(energy, dtype=np.float64)
    order = np.argsort(z)
    z, y = z[order], y[order]
    if z.size < MIN_FRAMES:
        raise ImagingError(f"{z.size} frames are too few for a peak; record {MIN_FRAMES} or more over it.")
    k = int(np.argmax(y))
    if k < 2 or k > z.size - 3:
        raise ImagingError(
            f"The target is sharpest at {z[k]:g} µm, the end of the sweep: move the sweep over the peak."
        )
    centre, width = float(z[k]), _half_width(z, y, k)
    for _ in range(12):
        weight = np.exp(-0.5 * ((z - centre) / (1.3 * width)) ** 4)
        step, design, rest, root = _step(z, y, centre, width, weight)
        centre += float(np.clip(step[0], -width, width))
        width = float(
            np.clip(width + np.clip(step[1], -0.5 * width, 0.5 * width), np.diff(z).min(), np.ptp(z))
        )
        if np.all(np.abs(step[:2]) < 1e-6 * width):
            break
    over = int(np.sum(np.abs(z - centre) < 2.0 * width))
    if over < 5 or not z[1] < centre < z[-2]:
        raise ImagingError(
            f"Only {over} frames lie over the peak at {centre:.1f} µm: take smaller steps around it."
        )
    gls = FrameGls.estimate(
        (root * rest)[:, None], (root[:, None] * design)[:, None, :], common=np.zeros((z.size, 1))
    )
    influence, freedom = gls.influence(np.array([1.0, 0.0, 0.0, 0.0]))
    sd = clustered_sd(influence)
    half = t_quantile(confidence, min(freedom, max(float(np.sum(weight)) - 4.0, 2.0))) * sd
    return RelativePeak(best_um=centre, sd_um=sd, low_um=centre - half, high_um=centre + half, width_um=width)


def _half_width(z: FloatArray, y: FloatArray, k: int) -> float:
    above = z[y > (y[k] + y.min()) / 2]
    return max(float(np.ptp(above)) / 2.35, float(np.diff(z).mean()))


def _step(
    z: FloatArray, y: FloatArray, centre: float, width: float, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Change of centre and width; height and constant are solved for exactly."""
    u = (z - centre) / width
    bell = np.exp(-0.5 * u * u)
    root = np.sqrt(weight)
    linear = np.column_stack([bell, np.ones_like(z)])
    height, constant = np.linalg.lstsq(root[:, None] * linear, root * y, rcond=None)[0]
    rest = y - height * bell - constant
    design = np.column_stack(
        [height * bell * u / width, height * bell * u * u / width, bell, np.ones_like(z)]
    )
    step = np.linalg.lstsq(root[:, None] * design, root * rest, rcond=None)[0]
    return step, design, rest, root
