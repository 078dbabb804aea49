"""The printed chart: stars painted on a grid finer than the pixels, and the rest of the sheet around them."""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numba
import numpy as np
from numpy.typing import NDArray

from benchmarks.worlds.frames.geometry import View


@dataclass(frozen=True)
class Star:
    """A spoke star: centre and radius [mm on the chart, y down], and dark spokes per turn."""

    name: str
    x_mm: float
    y_mm: float
    radius_mm: float
    spokes: int


@dataclass(frozen=True)
class Marker:
    """A square marker of the dictionary ``DICT_4X4_50``: number, centre and side [mm]."""

    number: int
    x_mm: float
    y_mm: float
    side_mm: float


@dataclass(frozen=True)
class Chart:
    """A sheet: its stars and markers, its size [mm], and its contrast (paper − ink) / (paper + ink)."""

    stars: tuple[Star, ...]
    markers: tuple[Marker, ...] = ()
    contrast: float = 0.9
    is_binary: bool = True
    half_width_mm: float = 150.0
    half_height_mm: float = 105.0

    @property
    def ink(self) -> float:
        """Reflectance of the ink where that of the paper is 1."""
        return (1 - self.contrast) / (1 + self.contrast)

    def as_json(self) -> dict[str, Any]:
        """Return the chart file's content."""
        return {
            "unit": "mm",
            "stars": [
                {"id": s.name, "centre_mm": [s.x_mm, s.y_mm], "radius_mm": s.radius_mm, "spokes": s.spokes}
                for s in self.stars
            ],
            "edges": [],
            "markers": [
                {
                    "id": m.number,
                    "centre_mm": [m.x_mm, m.y_mm],
                    "side_mm": m.side_mm,
                    "corners_mm": [
                        [m.x_mm + i * m.side_mm / 2, m.y_mm + j * m.side_mm / 2]
                        for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
                    ],
                }
                for m in self.markers
            ],
            "marker_dictionary": "DICT_4X4_50",
            "contrast": self.contrast,
            "star_kind": "binary" if self.is_binary else "sinusoidal",
        }


def sheet(*, scale: float = 1.0, star_count: int = 5, spokes: int = 80, small_spokes: int = 36) -> Chart:
    """Return a landscape sheet: a star in the middle, at wish four in the corners, and four markers.

    Parameters
    ----------
    scale
        Size of everything against a sheet of 300 × 210 mm.
    star_count
        1 or 5.
    spokes, small_spokes
        Spokes of the middle star and of the corner stars.
    """
    corners = ((-1, -1), (1, -1), (-1, 1), (1, 1))
    small = [
        Star(f"S{i}", x * 110 * scale, y * 58 * scale, 22 * scale, small_spokes)
        for i, (x, y) in enumerate(corners, start=1)
    ]
    around = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    markers = [Marker(i, x * 56 * scale, y * 60 * scale, 28 * scale) for i, (x, y) in enumerate(around)]
    return Chart(
        stars=(Star("S0", 0.0, 0.0, 45 * scale, spokes), *(small if star_count == 5 else [])),
        markers=tuple(markers),
        half_width_mm=150 * scale,
        half_height_mm=105 * scale,
    )


def paint(
    chart: Chart, star: Star, view: View, *, left_px: int, top_px: int, size_px: int, parts: int
) -> NDArray[np.float32]:
    """Paint a star on paper as the ideal picture would show it, on a grid of ``parts`` samples a pixel.

    Each sample is the mean over its own width across the spokes, and the rim is softened by one sample, so
    that nothing flickers as the picture moves.

    Returns
    -------
    numpy.ndarray
        Reflectance against paper, shape (size_px parts, size_px parts); sample (parts i, parts j) lies at the
        centre of pixel (top_px + i, left_px + j).
    """
    grain_mm = 1 / (parts * view.scale_px_per_mm(star.x_mm, star.y_mm))
    place = np.array([star.x_mm, star.y_mm, star.radius_mm, star.spokes, grain_mm, chart.ink])
    return np.asarray(
        _paint(view.inverse(), place, float(left_px), float(top_px), size_px * parts, parts, chart.is_binary)
    )


@numba.njit(cache=True, fastmath=True)
def _paint(
    way: NDArray[np.float64],
    place: NDArray[np.float64],
    left_px: float,
    top_px: float,
    size: int,
    parts: int,
    is_binary: bool,
) -> NDArray[np.float32]:
    out = np.ones((size, size), dtype=np.float32)
    x_mm, y_mm, radius_mm, spokes, grain_mm, ink = place
    for i in range(size):
        down = (top_px + i / parts - way[1]) * way[2]
        for j in range(size):
            across = (left_px + j / parts - way[0]) * way[2]
            height = way[3] + way[4] * across + way[5] * down
            scale = way[6] / (way[6] + height) / way[7]
            x, y = across * scale, down * scale
            bend = 1 + way[8] * (x * x + y * y) / (way[9] * way[9])
            x, y = x * bend, y * bend
            w = way[16] * x + way[17] * y + way[18]
            dx = (way[10] * x + way[11] * y + way[12]) / w - x_mm
            dy = (way[13] * x + way[14] * y + way[15]) / w - y_mm
            square = dx * dx + dy * dy
            if square > (radius_mm + grain_mm) ** 2:
                continue
            r = math.sqrt(square) + 1e-9
            turns = math.atan2(dy, dx) * spokes / (2 * math.pi) + spokes
            width = grain_mm * spokes / (2 * math.pi * r)
            if is_binary:
                dark = (_ramp(turns + width / 2) - _ramp(turns - width / 2)) / width if width < 2.0 else 0.5
            else:
                mean = math.sin(math.pi * width) / (math.pi * width)
                dark = 0.5 + 0.5 * math.cos(2 * math.pi * turns) * mean
            rim = min(1.0, max(0.0, 0.5 + (radius_mm - r) / grain_mm))
            out[i, j] = 1 - (1 - ink) * dark * rim
    return out


@numba.njit(inline="always")
def _ramp(turns: float) -> float:
    """Integral of a wave that is 1 in the first half of each turn and 0 in the second."""
    whole = math.floor(turns)
    return float(0.5 * whole + min(turns - whole, 0.5))


def background(chart: Chart, view: View) -> NDArray[np.float32]:
    """Paint all but the stars (paper, surround, markers) at pixel resolution, area-averaged 3 × 3.

    Returns
    -------
    numpy.ndarray
        Reflectance against paper, shape (height, width).
    """
    parts = 3
    big = np.full((view.height * parts, view.width * parts), 0.12, dtype=np.float32)

    def corners(x_mm: float, y_mm: float, half_x: float, half_y: float) -> NDArray[np.float32]:
        around = ((-1, -1), (1, -1), (1, 1), (-1, 1))
        places = [view.to_px(x_mm + i * half_x, y_mm + j * half_y) for i, j in around]
        return np.asarray((np.array(places) + 0.5) * parts - 0.5, dtype=np.float32)

    paper = corners(0, 0, chart.half_width_mm, chart.half_height_mm)
    cv2.fillConvexPoly(big, np.round(paper * 16).astype(np.int32), 1.0, shift=4)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker in chart.markers:
        cell = 32
        picture = cv2.aruco.generateImageMarker(dictionary, marker.number, 6 * cell, borderBits=1)
        ink = np.where(picture > 0, 1.0, chart.ink).astype(np.float32)
        source = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32) * (6 * cell) - np.float32(0.5)
        target = corners(marker.x_mm, marker.y_mm, marker.side_mm / 2, marker.side_mm / 2)
        way = cv2.getPerspectiveTransform(source, target)
        shape = (big.shape[1], big.shape[0])
        cv2.warpPerspective(ink, way, shape, dst=big, borderMode=cv2.BORDER_TRANSPARENT)
    return np.asarray(cv2.resize(big, (view.width, view.height), interpolation=cv2.INTER_AREA))
