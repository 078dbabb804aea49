"""Modulation transfer from a slanted edge: the oversampled edge profile, its slope, and the slope's spectrum.

Written from the method that ISO 12233 describes (edge-based spatial frequency response) and its sources.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import Edge
from shimwise.imaging.chart.markers import map_points

__all__ = ["EdgeTransfer", "edge_transfer", "square_transfers"]

FloatArray = NDArray[np.float64]

OVERSAMPLING = 4
MIN_SLANT, MAX_SLANT = math.tan(math.radians(1.0)), math.tan(math.radians(20.0))


@dataclass(frozen=True, slots=True)
class EdgeTransfer:
    """Transfer across an edge: frequencies [cycles/px], modulation (1 at 0), slant [degrees] and contrast."""

    frequency_cy_px: FloatArray
    modulation: FloatArray
    slant_deg: float
    contrast: float

    def at(self, frequency_cy_px: FloatArray) -> FloatArray:
        """Modulation at frequencies up to 0.5 cycles/px, read between neighbours."""
        return np.interp(frequency_cy_px, self.frequency_cy_px, self.modulation)


def edge_transfer(region: NDArray[np.floating]) -> EdgeTransfer:
    """Measure the transfer across an edge that runs roughly up and down through a region.

    Parameters
    ----------
    region : ndarray
        Linear pixels (rows, columns) with one edge, 1° to 20° off the columns; 16 rows and 16 columns at
        least. Turn the region by 90° for an edge that runs from side to side.

    Returns
    -------
    EdgeTransfer
        Up to 0.5 cycles/px along the rows corrected to the edge's normal.

    Raises
    ------
    ImagingError
        When the region is too small, has no clear edge, or the edge's slant is out of range.

    Notes
    -----
    Row centroids of the slope give the edge's line (a parabola, for a picture with distortion); pixels are
    gathered in quarter-pixel bins by their distance from it; the binned profile's slope is windowed and
    transformed. The three-point slope and the bins' width are corrected by their known transfer.

    References
    ----------
    .. [1] ISO 12233, edge-based spatial frequency response (method from memory of its public descriptions).
    .. [2] P. D. Burns, "Slanted-edge MTF for digital camera and scanner analysis", Proc. IS&T PICS (2000).
    .. [3] S. E. Reichenbach, S. K. Park and R. Narayanswamy, "Characterizing digital image acquisition
       devices", Opt. Eng. 30 (1991): the knife edge across a sampled picture.
    """
    pixels = np.asarray(region, dtype=np.float64)
    if pixels.ndim != 2 or min(pixels.shape) < 16:
        raise ImagingError(f"An edge needs a region of 16 x 16 px or more; this one is {pixels.shape}.")
    line = _edge_line(pixels)
    slope = float(line[1])
    if not MIN_SLANT <= abs(slope) <= MAX_SLANT:
        raise ImagingError(
            f"The edge stands {math.degrees(math.atan(slope)):.1f}° off the columns; 1° to 20° are "
            f"needed, 5° is best."
        )
    rows = np.arange(pixels.shape[0]) - (pixels.shape[0] - 1) / 2
    centre = np.polynomial.polynomial.polyval(rows, line)
    cosine = math.cos(math.atan(slope))
    distance = (np.arange(pixels.shape[1])[None, :] - centre[:, None]) * cosine
    reach = math.floor(min(_reach(centre, pixels.shape[1])) * cosine)
    profile, places = _binned(pixels, distance, reach)
    return _spectrum(profile, places, slope)


def square_transfers(
    frame: NDArray[np.floating], edge: Edge, to_px: FloatArray, *, left: int = 0, top: int = 0
) -> tuple[EdgeTransfer, ...]:
    """Transfers across the four sides of a slanted square of the chart, those that can be measured.

    Parameters
    ----------
    frame : ndarray
        Linear frame, or a crop whose first pixel is (``left``, ``top``).
    edge : Edge
        The square on the sheet.
    to_px : ndarray
        Homography from sheet mm to px.
    left, top : int
        Place of the crop.
    """
    out = []
    turn = math.radians(edge.angle_deg)
    for side in range(4):
        normal = np.array([math.cos(turn + side * math.pi / 2), math.sin(turn + side * math.pi / 2)])
        place = np.array(edge.centre_mm) + normal * edge.side_mm / 2
        tangent = np.array([-normal[1], normal[0]])
        ends = map_points(
            to_px, np.array([place - 0.36 * edge.side_mm * tangent, place + 0.36 * edge.side_mm * tangent])
        )
        ends = ends - (left, top)
        depth = 0.4 * float(np.linalg.norm(ends[1] - ends[0]) / 0.72)
        upright = abs(ends[1, 1] - ends[0, 1]) > abs(ends[1, 0] - ends[0, 0])
        grow = np.array([depth, 0.0]) if upright else np.array([0.0, depth])
        low = np.maximum(np.ceil(ends.min(axis=0) - grow).astype(int), 0)
        high = np.floor(ends.max(axis=0) + grow).astype(int) + 1
        region = frame[low[1] : high[1], low[0] : high[0]]
        try:
            out.append(edge_transfer(region if upright else region.T))
        except ImagingError:
            continue
    return tuple(out)


def _edge_line(pixels: FloatArray) -> FloatArray:
    """Edge's column by row (rows from the middle): a parabola through the rows' windowed centroids."""
    slope = np.diff(pixels, axis=1)
    slope = slope * np.sign(np.sum(slope))
    columns = np.arange(slope.shape[1]) + 0.5
    rows = np.arange(pixels.shape[0]) - (pixels.shape[0] - 1) / 2
    total = np.sum(slope)
    spread = float(np.max(pixels) - np.min(pixels))
    if not spread > 0 or total < 0.3 * spread * pixels.shape[0]:
        raise ImagingError(
            "No single edge runs through the region: choose one that holds one side of a dark square."
        )
    # The first line from the smoothed slope's largest value, so that noise far from the edge has no say.
    kernel = np.hanning(9)
    smooth = np.apply_along_axis(lambda row: np.convolve(row, kernel, mode="same"), 1, slope)
    line = np.polynomial.polynomial.polyfit(rows, columns[np.argmax(smooth[:, 4:-4], axis=1) + 4], 1)
    width = max(8.0, 0.2 * pixels.shape[1])
    for degree in (1, 1, 2):
        centre = np.polynomial.polynomial.polyval(rows, line)
        gap = (columns - centre[:, None]) / width
        window = np.where(np.abs(gap) < 1, 0.5 * (1 + np.cos(np.pi * np.clip(gap, -1, 1))), 0.0)
        mass = np.sum(window * slope, axis=1)
        moved = np.sum(window * slope * (columns - centre[:, None]), axis=1) / np.where(
            mass > 0, mass, np.inf
        )
        good = mass > 0.3 * np.median(mass)
        line = np.polynomial.polynomial.polyfit(rows[good], (centre + 2.0 * moved)[good], degree)
    return np.asarray(line)


def _reach(centre: FloatArray, columns: int) -> tuple[float, float]:
    """Room on either side of the edge in every row, px."""
    return float(centre.min()) - 1.0, columns - 2.0 - float(centre.max())


def _binned(pixels: FloatArray, distance: FloatArray, reach: int) -> tuple[FloatArray, FloatArray]:
    """Mean of the pixels in each quarter-pixel bin of distance, and the bins' places."""
    if reach < 6:
        raise ImagingError(
            "The edge runs too near to the region's side: leave 8 px or more on both sides of it."
        )
    bins = 2 * reach * OVERSAMPLING
    number = np.floor((distance + reach) * OVERSAMPLING).astype(int)
    inside = (number >= 0) & (number < bins) & np.isfinite(pixels)
    count = np.bincount(number[inside], minlength=bins).astype(np.float64)
    total = np.bincount(number[inside], weights=pixels[inside], minlength=bins)
    places = (np.arange(bins) + 0.5) / OVERSAMPLING - reach
    full = count > 0
    if full.mean() < 0.8:
        raise ImagingError(
            "Too few rows cross the edge to fill its quarter-pixel profile: choose a longer edge."
        )
    return np.interp(places, places[full], total[full] / count[full]), places


def _spectrum(profile: FloatArray, places: FloatArray, slope: float) -> EdgeTransfer:
    spread = np.zeros_like(profile)
    spread[1:-1] = profile[2:] - profile[:-2]
    window = np.cos(0.5 * np.pi * places / abs(places[0])) ** 2
    spectrum = np.abs(np.fft.rfft(spread * window))
    frequency = np.fft.rfftfreq(profile.size, 1.0 / OVERSAMPLING)
    keep = frequency <= 0.5 + 1e-9
    step = 1.0 / OVERSAMPLING
    # Central difference over two bins, and a bin's own width.
    loss = np.sinc(2.0 * frequency * step) * np.sinc(frequency * step)
    modulation: FloatArray = np.asarray(spectrum[keep] / spectrum[0] / loss[keep], dtype=np.float64)
    ends = profile[: 2 * OVERSAMPLING].mean(), profile[-2 * OVERSAMPLING :].mean()
    return EdgeTransfer(
        np.asarray(frequency[keep], dtype=np.float64),
        modulation,
        math.degrees(math.atan(slope)),
        abs(ends[1] - ends[0]) / (ends[0] + ends[1]),
    )
