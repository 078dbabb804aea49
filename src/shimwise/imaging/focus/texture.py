"""Through-focus peak without a chart: how strong the gradients of any textured target are, relative only.

Gradient energy divided by the squared mean needs no threshold and does not follow the lamp; its noise part is
the same in every frame and drops out as the constant of a Gaussian through focus.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.focus.fit.interval import t_quantile

STEP_PX = 2
"""Distance of the pixels compared: see :func:`gradient_energy`."""
MIN_FRAMES = 7
SHAPES: tuple[tuple[float, tuple[int, ...], float], ...] = (
    (2.5, (4, 6), 7.5),
    (1.6, (4,), 7.0),
    (1.3, (), 0.0),
)
"""Widths of the peak beyond which frames count less, even terms of the bell, and how many frames must
count for it: the fewer terms, the nearer to its peak must a curve be taken for such a bell.
"""
LEAST_OVER = 5
"""Frames over the peak that a fit needs; chosen."""
FWHM_SDS = 2.35
"""Full width at half maximum of a normal curve, in standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativePeak:
    """Peak of a textured target [µm]. Relative: with aberration it moves with the target's detail."""

    best_um: float
    sd_um: float
    low_um: float
    high_um: float
    width_um: float
    label: str = "relative"


def gradient_energy(frame: NDArray[np.floating]) -> float:
    """Mean squared difference of pixels two apart along rows and columns, by the squared mean.

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
    along = pixels[:, STEP_PX:] - pixels[:, :-STEP_PX]
    down = pixels[STEP_PX:] - pixels[:-STEP_PX]
    return float(np.nanmean(along**2, dtype=np.float64) + np.nanmean(down**2, dtype=np.float64)) / mean**2


def most_textured_region(frame: NDArray[np.floating], *, side_px: int) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the square of this side with the largest gradient energy."""
    height, width = frame.shape
    side = min(side_px, height, width)
    if side < 16:
        raise ImagingError(f"A region of {side} px is too small to measure: give 16 px or more.")
    step = max(side // 2, 1)
    places = [(x, y) for y in range(0, height - side + 1, step) for x in range(0, width - side + 1, step)]
    left, top = max(places, key=lambda p: gradient_energy(frame[p[1] : p[1] + side, p[0] : p[0] + side]))
    return left, top, left + side, top + side


def fit_relative_peak(position_um: FloatArray, energy: FloatArray) -> RelativePeak:
    """Fit a Gaussian of free flatness and a constant to the energy through focus.

    Parameters
    ----------
    position_um : ndarray
        Positions, µm.
    energy : ndarray
        :func:`gradient_energy` of each frame.

    Raises
    ------
    ImagingError
        With fewer than 7 frames over the peak, or a peak at the end of the sweep.

    Notes
    -----
    Gauss-Newton with the width kept between one step and the sweep; frames far from the peak count less.
    A lens's curve is no Gaussian: what it is off would be taken for noise, and intervals come out 1.5 to 2
    times too wide. Where frames allow it (``SHAPES``) the bell is multiplied by 1 + a·u⁴ + b·u⁶, as the
    Gram-Charlier series [1]_ has it to the sixth order: even terms do not move the middle. Interval from the
    frames' residuals.

    References
    ----------
    .. [1] M. G. Kendall and A. Stuart, *The Advanced Theory of Statistics*, vol. 1, ch. 6 (from memory).
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
    bell = _Bell(z, y, float(z[k]), _half_width(z, y, k))
    bell.settle()
    for bell.window, bell.orders, least in SHAPES:
        if np.sum(bell.weight) >= least:
            break
    bell.settle()
    centre, width = bell.centre, bell.width
    over = int(np.sum(np.abs(z - centre) < 2.0 * width))
    if over < LEAST_OVER or not z[1] < centre < z[-2]:
        raise ImagingError(
            f"Only {over} frames lie over the peak at {centre:.1f} µm: take smaller steps around it."
        )
    _, design, rest, root = bell.step()
    sd, freedom = _spread_of_first(root * rest, root[:, None] * design)
    half = t_quantile(min(freedom, max(float(np.sum(root**2)) - design.shape[1], 2.0))) * sd
    return RelativePeak(best_um=centre, sd_um=sd, low_um=centre - half, high_um=centre + half, width_um=width)


def _spread_of_first(residual: FloatArray, design: FloatArray) -> tuple[float, float]:
    """Return the standard uncertainty of the first unknown of a least squares fit, and its freedom.

    From the residuals themselves, each by the root of 1 − leverage, so that no noise model is needed [1]_.

    References
    ----------
    .. [1] R. M. Bell and D. F. McCaffrey, "Bias reduction in standard errors for linear regression with
       multi-stage samples", Survey Methodology 28 (2002), with Satterthwaite's degrees of freedom.
    """
    inverse = np.linalg.pinv(design.T @ design)
    residual = residual - design @ (inverse @ (design.T @ residual))
    leverage = np.einsum("ki,ij,kj->k", design, inverse, design)
    pull = (design @ inverse[0]) / np.sqrt(np.maximum(1.0 - leverage, 1e-6))
    across = design * pull[:, None]
    gram = np.diag(pull**2) - across @ inverse @ across.T
    freedom = float(np.trace(gram) ** 2 / max(np.sum(gram**2), 1e-300))
    return float(np.linalg.norm(pull * residual)), min(max(freedom, 1.0), residual.size - 1.0)


def _half_width(z: FloatArray, y: FloatArray, k: int) -> float:
    above = z[y > (y[k] + y.min()) / 2]
    return max(float(np.ptp(above)) / FWHM_SDS, float(np.diff(z).mean()))


class _Bell:
    """A bell over the frames that settles on their energy step by step."""

    def __init__(self, z: FloatArray, y: FloatArray, centre: float, width: float) -> None:
        self.z, self.y, self.centre, self.width = z, y, centre, width
        self.window, self.orders, _ = SHAPES[-1]

    @property
    def weight(self) -> FloatArray:
        """How much each frame counts."""
        weight: FloatArray = np.exp(-0.5 * ((self.z - self.centre) / (self.window * self.width)) ** 4)
        return weight

    def settle(self) -> None:
        """Move to the best centre and width."""
        least, most = float(np.diff(self.z).min()), float(np.ptp(self.z))
        for _ in range(15):
            step = self.step()[0]
            self.centre += float(np.clip(step[0], -self.width, self.width))
            wider = self.width + float(np.clip(step[1], -0.5 * self.width, 0.5 * self.width))
            self.width = float(np.clip(wider, least, most))
            if np.all(np.abs(step[:2]) < 1e-6 * self.width):
                break

    def step(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Change of centre and width, the slopes, what is left, and the roots of the weights.

        Heights and the constant are solved for exactly.
        """
        u, root = (self.z - self.centre) / self.width, np.sqrt(self.weight)
        bell = np.exp(-0.5 * u * u)
        shapes = np.column_stack([np.ones_like(u), bell, *(bell * u**order for order in self.orders)])
        heights = np.linalg.lstsq(root[:, None] * shapes, root * self.y, rcond=None)[0]
        rest = self.y - shapes @ heights
        by_centre = heights[1] * bell * u
        for order, height in zip(self.orders, heights[2:], strict=True):
            by_centre = by_centre + height * bell * (u ** (order + 1) - order * u ** (order - 1))
        by_width = heights[1] * bell * u * u
        design = np.column_stack([by_centre / self.width, by_width / self.width, shapes])
        step = np.linalg.lstsq(root[:, None] * design, root * rest, rcond=None)[0]
        return step, design, rest, root
