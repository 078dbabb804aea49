"""What stands on the invented chart, as exact darkness blurred by a round Gauss of known width.

The Gauss keeps the fine grid free of aliasing; the simulator divides it out again in the spectrum, so that
nothing of it is left in the frames. Stars, squares and markers are closed forms, x right and y down, mm.

References
----------
.. [1] I. S. Gradshteyn and I. M. Ryzhik, *Table of Integrals, Series, and Products*, 6.618 (Bessel function
   against a Gauss; from memory, checked numerically in the tests): the blurred star exp(inθ).
.. [2] OpenCV ArUco dictionaries, open source: the bits of DICT_4X4_50.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf, ive

__all__ = ["MARKER_DICTIONARY", "Element", "Marker", "Star", "lay_out"]

MARKER_DICTIONARY = "DICT_4X4_50"

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Star:
    """A spoke star; darkness 1/2 − 1/2·cos n(θ − start) inside its radius, or its square-wave form."""

    name: str
    x_mm: float
    y_mm: float
    radius_mm: float
    spokes: int
    binary: bool = False
    start_rad: float = 0.0

    @property
    def reach_mm(self) -> float:
        """Half the width of the box that holds it, mm."""
        return self.radius_mm

    def darkness(self, x_mm: Floats, y_mm: Floats, blur_mm: float) -> Floats:
        """Darkness 0..1 about the element's own centre, after a round Gauss of sd `blur_mm`."""
        radius = np.hypot(x_mm, y_mm)
        angle = np.arctan2(y_mm, x_mm) - self.start_rad
        rim = 0.5 * (1.0 + erf((self.radius_mm - radius) / (np.sqrt(2.0) * blur_mm)))
        wave = np.zeros_like(radius)
        for order, weight in self._harmonics():
            wave += weight * _blurred_amplitude(order, radius, blur_mm) * np.cos(order * angle)
        return np.asarray(0.5 * rim * (1.0 - wave), dtype=float)

    def _harmonics(self) -> list[tuple[int, float]]:
        if not self.binary:
            return [(self.spokes, 1.0)]
        odd = range(1, 40, 2)
        return [(k * self.spokes, 4.0 / (np.pi * k) * (-1.0) ** ((k - 1) // 2)) for k in odd]


@dataclass(frozen=True)
class Marker:
    """An ArUco marker of DICT_4X4_50 with its black border of one module."""

    number: int
    x_mm: float
    y_mm: float
    side_mm: float

    @property
    def name(self) -> str:
        """Name within the chart."""
        return f"M{self.number}"

    @property
    def reach_mm(self) -> float:
        """Half the width of the box that holds it, mm."""
        return self.side_mm / 2

    @property
    def corners_mm(self) -> Floats:
        """Corners clockwise from the top left, shape (4, 2), mm."""
        half = self.side_mm / 2
        return np.array([self.x_mm, self.y_mm]) + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])

    def darkness(self, x_mm: Floats, y_mm: Floats, blur_mm: float) -> Floats:
        """Darkness 0..1 about the element's own centre, after a round Gauss of sd `blur_mm`."""
        bits = _marker_bits(self.number)
        steps = self.side_mm * (np.arange(7) / 6 - 0.5)
        total = np.zeros_like(x_mm)
        across = [_slab(x_mm, steps[i], steps[i + 1], blur_mm) for i in range(6)]
        for row in range(6):
            line = sum((across[i] for i in range(6) if bits[row, i]), start=np.zeros_like(x_mm))
            total += line * _slab(y_mm, steps[row], steps[row + 1], blur_mm)
        return total


Element = Star | Marker


def lay_out(
    width_mm: float,
    height_mm: float,
    *,
    stars: int,
    star_mm: float,
    small_star_mm: float,
    spokes: int,
    small_spokes: int,
    binary: bool = False,
    markers: bool = False,
    marker_mm: float = 11.25,
) -> list[Element]:
    """Elements on a chart seen `width_mm` by `height_mm`: 1, 5 or 9 stars, four markers."""
    a, b = 0.38 * width_mm, 0.34 * height_mm
    places = [(0.0, 0.0), (-a, -b), (a, -b), (-a, b), (a, b), (0.0, -b), (-a, 0.0), (a, 0.0), (0.0, b)]
    if stars not in (0, 1, 5, 9):
        raise ValueError(f"a chart has 0, 1, 5 or 9 stars, not {stars}")
    elements: list[Element] = [
        Star(
            f"S{k}",
            x,
            y,
            (star_mm if k == 0 else small_star_mm) / 2,
            spokes if k == 0 else small_spokes,
            binary,
        )
        for k, (x, y) in enumerate(places[:stars])
    ]
    if markers:
        corners = [(-0.19, -0.36), (0.19, -0.36), (0.19, 0.36), (-0.19, 0.36)]
        elements += [Marker(k, x * width_mm, y * height_mm, marker_mm) for k, (x, y) in enumerate(corners)]
    return elements


def _slab(u: Floats, low: float, high: float, blur: float) -> Floats:
    width = np.sqrt(2.0) * blur
    return np.asarray(0.5 * (erf((u - low) / width) - erf((u - high) / width)), dtype=float)


def _blurred_amplitude(order: int, radius: Floats, blur: float) -> Floats:
    """Amplitude left of exp(inθ) at a radius after a round Gauss, on a fine radial table."""
    table = np.linspace(0.0, float(radius.max()) + 1e-9, 20001)
    q = table**2 / (4.0 * blur**2)
    near = np.sqrt(np.pi / 8.0) * table / blur * (ive((order - 1) / 2, q) + ive((order + 1) / 2, q))
    far = 1.0 - (order * blur / np.maximum(table, 1e-12)) ** 2 / 2
    amplitude = np.where(q < 1e6, near, far)
    return np.asarray(np.interp(radius, table, np.nan_to_num(amplitude)), dtype=float)


@cache
def _marker_bits(number: int) -> NDArray[np.bool_]:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return cv2.aruco.generateImageMarker(dictionary, number, 6) < 128
