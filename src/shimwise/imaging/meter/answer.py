"""What the meter answers after a frame, and the figure that a held second gives."""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.meter.axes import Axes
from shimwise.imaging.meter.calibration import Calibration

WIDE = 2.2
"""Deviations to either side in the interval: 95 % with some twenty degrees of freedom."""
LAW_SHARE, MISFIT_SHARE, PLAIN_RMS, MOST_SHARE = 0.012, 15.0, 0.0008, 0.6
"""What the law leaves widens the interval by the first and so many times the misfit beyond a plain feed's."""
FLOOR_SHARE, SHARPENED_SHARE, CODED_SHARE, SMOOTHED_SHARE = 0.02, 0.06, 0.07, 0.10
"""Least half width of the interval as a share of the size: plain, sharpened, coded in blocks, and smoothed,
of which a bilateral filter makes some 3 %."""
PIXELS_N2 = 14.0
"""Deviation of a square, in N² µm² and by the count of spokes, of a star that sits on other pixels than in
the passes: .1 to .17 of 80 spokes, .3 to .45 of 36, in pictures without noise that were made apart."""
FLOOR_N, SHARPENED_N = 0.65, 1.0
"""Least upper limit at the sharpest place, plain and sharpened, in N µm."""


class MeterState(StrEnum):
    """What the meter does."""

    SEEKING = "seeking"
    MOVING = "moving"
    STILL = "still"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterAnswer:
    """The meter's answer after a frame.

    Attributes
    ----------
    t_s : float
        Time of the frame, s.
    state : MeterState
        Seeking a star or a pass through focus, moving, or still.
    offset_um, low_um, high_um : float or None
        Sensor less best focus with its 95 % interval, short < 0; its size where ``is_signed`` is false, and
        then the interval holds both sides where it reaches 0. None where no microns can be given.
    is_signed : bool
        Whether the side is known.
    sharpened : bool
        Whether the camera sharpens its picture.
    frames, dropped : int
        Frames that came, and that did not.
    notes : tuple of str
        Codes of what is to be known.
    contrast : float or None
        Modulation of the rings together by the best seen, for a display.
    centre_px, radius_px
        Where the star is.
    axes_um, axes_half_um : float or None
        Place by the vertical axis less that by the horizontal, and half its 95 % interval, where asked for.
    """

    t_s: float
    state: MeterState
    offset_um: float | None = None
    low_um: float | None = None
    high_um: float | None = None
    is_signed: bool = False
    sharpened: bool = False
    frames: int = 0
    dropped: int = 0
    notes: tuple[str, ...] = ()
    contrast: float | None = None
    centre_px: tuple[float, float] | None = None
    radius_px: float | None = None
    axes_um: float | None = None
    axes_half_um: float | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    """Size of defocus with its 95 % interval, µm; ``low`` is 0 where the sharpest place is not excluded."""

    size: float
    low: float
    high: float


def held_figure(
    calibration: Calibration,
    square: FloatArray,
    variance: FloatArray,
    *,
    fnumber: float,
    sharpened: bool,
    scale_share: float,
    smoothed_share: float = 0.0,
    pixels_n2: float = 0.0,
) -> Figure:
    """Return the size of defocus over frames in which nothing moves.

    Parameters
    ----------
    calibration : Calibration
        What the passes have shown.
    square, variance : ndarray
        Squares of defocus of the frames and their variance by noise, as the calibration returns them.
    fnumber : float
        f-number.
    sharpened : bool
        Whether the camera sharpens.
    smoothed_share : float
        Where it smooths or codes in blocks: least half width of the interval by that, as a share of the size.
    scale_share : float
        95 % half width of pitch and f-number together, as a share of the size.
    pixels_n2 : float
        Deviation of the square by other pixels than in the passes, in N² µm².
    """
    mean, total = _mean_and_variance(square, variance)
    half = WIDE * math.sqrt(total + calibration.vertex_sd**2 + (pixels_n2 * fnumber**2) ** 2)
    half = max(half, ((SHARPENED_N if sharpened or smoothed_share else FLOOR_N) * fnumber) ** 2)
    # Squares below 0 are noise: they do not make the limit smaller.
    mean = max(mean, 0.0)
    size, low, high = (math.sqrt(max(value, 0.0)) for value in (mean, mean - half, mean + half))
    share = LAW_SHARE + MISFIT_SHARE * max(calibration.rms - PLAIN_RMS, 0.0)
    floor = max(SHARPENED_SHARE if sharpened else FLOOR_SHARE, smoothed_share)
    share = max(min(share, MOST_SHARE), floor)
    share = math.hypot(share, scale_share)
    return Figure(size, min(low, size * (1.0 - share)), max(high, size * (1.0 + share)))


def figure_between_axes(
    axes: Axes,
    place: FloatArray,
    variance: FloatArray,
    *,
    fnumber: float,
    sharpened: bool,
    scale_share: float,
    pixels_n2: float = 0.0,
) -> Figure:
    """Return the size of defocus over frames in which nothing moves, by how far two axes are apart.

    Parameters
    ----------
    axes : Axes
        The axes.
    place, variance : ndarray
        Places of the frames and their variance by noise, as the axes return them.
    fnumber, sharpened, scale_share, pixels_n2
        As of :func:`held_figure`.
    """
    apart = abs(axes.difference.um)
    # A quarter has a fourth of the star's pixels, and there are two.
    pixels = math.sqrt(2.0) * pixels_n2 * fnumber**2 / apart
    size, total = _mean_and_variance(place, variance)
    size, half = abs(size), WIDE * math.sqrt(total + axes.zero_sd_um**2 + pixels**2)
    share = math.hypot(
        SHARPENED_SHARE if sharpened else FLOOR_SHARE, axes.difference.half_um / apart, scale_share
    )
    half = max(half, share * size)
    least = ((SHARPENED_N if sharpened else FLOOR_N) * fnumber) ** 2
    low, high = max(size - half, 0.0), max(size + half, math.sqrt(size**2 + least))
    return Figure(size, min(low, math.sqrt(max(size**2 - least, 0.0))), high)


def _mean_and_variance(value: FloatArray, variance: FloatArray) -> tuple[float, float]:
    """Return the mean by all rings, and its variance by the frames' scatter and between groups of rings."""
    mean, scatter = float(np.mean(value[:, 0])), float(np.mean(variance[:, 0]))
    if value.shape[0] > 2:
        scatter = max(scatter, float(np.var(value[:, 0], ddof=1)))
    return mean, scatter / value.shape[0] + _between_groups(value, variance)


def _between_groups(value: FloatArray, variance: FloatArray) -> float:
    """Return the variance of the mean by how far groups of rings lie apart, each with its weight."""
    means: FloatArray = value[:, 1:].mean(axis=0)
    share: FloatArray = 1.0 / np.maximum(variance[:, 1:].mean(axis=0), 1e-12)
    share = share / share.sum()
    return float(share @ (means - share @ means) ** 2) / float(means.size - 1)
