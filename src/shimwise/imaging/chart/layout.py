"""The layout of a chart, its stars and markers, read from chart.json and checked.

Millimetres on the sheet, x right, y down. Marker corners run clockwise from the top left.
"""

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError

MAX_ELEMENTS = 256
"""Most stars, and most markers, of a sheet; chosen."""
MAX_SPOKES = 720
MAX_RADIUS_MM = 5000.0
MAX_COORDINATE_MM = 1e5
DEFAULT_DICTIONARY = "DICT_4X4_50"
"""Markers of 4 x 4 bits; OpenCV's name of the set."""


class StarKind(StrEnum):
    """How a star's spokes are printed."""

    SINUSOIDAL = "sinusoidal"
    BINARY = "binary"


@dataclass(frozen=True, slots=True, kw_only=True)
class Star:
    """A spoke star: its centre and radius [mm] and its count of dark spokes."""

    id: str
    centre_mm: tuple[float, float]
    radius_mm: float
    spokes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """An ArUco marker: its number and its four corners [mm], clockwise from the top left."""

    id: int
    corners_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLayout:
    """A chart: its stars and markers, the marker dictionary, and the spokes' kind and contrast.

    The contrast is (white − black)/(white + black) of the print, 0 to 1; modulation is a share of it.
    """

    stars: tuple[Star, ...]
    markers: tuple[Marker, ...] = ()
    marker_dictionary: str = DEFAULT_DICTIONARY
    star_kind: StarKind = StarKind.SINUSOIDAL
    contrast: float = 1.0

    @property
    def centre_star(self) -> Star:
        """The star nearest to the sheet's origin."""
        return min(self.stars, key=lambda star: math.hypot(*star.centre_mm))

    def marker_corners_mm(self) -> dict[int, NDArray[np.float64]]:
        """Corners of each marker by its number, (4, 2) mm."""
        return {marker.id: np.array(marker.corners_mm, dtype=np.float64) for marker in self.markers}


def layout_of_star(*, spokes: int, radius_mm: float) -> ChartLayout:
    """Return the layout of a sheet of which only one star is known: its count of spokes, its radius [mm]."""
    star = {"id": "S0", "centre_mm": [0.0, 0.0], "radius_mm": radius_mm, "spokes": spokes}
    return layout_from_json({"unit": "mm", "stars": [star], "star_kind": StarKind.SINUSOIDAL.value})


def layout_from_json(data: object) -> ChartLayout:
    """Check the content of chart.json and return its layout.

    Parameters
    ----------
    data : object
        The parsed JSON: an object with ``stars`` (id, centre_mm, radius_mm, spokes), and optionally
        ``markers``, ``marker_dictionary``, ``star_kind``, ``contrast`` and ``unit`` (mm only). Other names,
        such as the printed squares in ``edges``, are not read.

    Raises
    ------
    ImagingError
        If something is missing or impossible; the message names the place and the value.
    """
    root = _object(data, "chart.json")
    if root.get("unit", "mm") != "mm":
        raise ImagingError(f'chart.json: unit is {root["unit"]!r}; write the layout in millimetres ("mm").')
    layout = ChartLayout(
        stars=tuple(_star(item, where) for item, where in _items(root, "stars")),
        markers=tuple(_marker(item, where) for item, where in _items(root, "markers")),
        marker_dictionary=_dictionary(root.get("marker_dictionary", DEFAULT_DICTIONARY)),
        star_kind=_kind(root.get("star_kind", "sinusoidal")),
        contrast=_number(root, "contrast", "chart.json", low=0.0, high=1.0, default=1.0),
    )
    if not layout.stars:
        raise ImagingError("chart.json: stars is empty; a chart needs at least one star to be measured.")
    _refuse_twins("star", [star.id for star in layout.stars])
    _refuse_twins("marker", [marker.id for marker in layout.markers])
    return layout


def _star(item: object, where: str) -> Star:
    star = _object(item, where)
    spokes = _number(star, "spokes", where, low=3, high=MAX_SPOKES)
    if spokes != int(spokes):
        raise ImagingError(f"{where}: spokes is {spokes}; give a whole number.")
    return Star(
        id=_name(star, where),
        centre_mm=_point(star.get("centre_mm"), f"{where}: centre_mm"),
        radius_mm=_number(star, "radius_mm", where, low=0.0, high=MAX_RADIUS_MM),
        spokes=int(spokes),
    )


def _marker(item: object, where: str) -> Marker:
    marker = _object(item, where)
    number = marker.get("id")
    if isinstance(number, bool) or not isinstance(number, int) or number < 0:
        raise ImagingError(f"{where}: id is {number!r}; a marker's id is a whole number, 0 or more.")
    corners = marker.get("corners_mm")
    if not isinstance(corners, Sequence) or isinstance(corners, str) or len(corners) != 4:
        raise ImagingError(f"{where}: corners_mm must be four points [x, y], clockwise from the top left.")
    points = [_point(corner, f"{where}: corner {k + 1}") for k, corner in enumerate(corners)]
    area = sum(a[0] * b[1] - a[1] * b[0] for a, b in zip(points, points[1:] + points[:1], strict=True)) / 2
    if not area > 0:
        raise ImagingError(
            f"{where}: the corners enclose {area:.6g} mm²; list them clockwise from the top left, x right, "
            "y down."
        )
    return Marker(id=number, corners_mm=tuple(points))


def _object(data: object, where: str) -> Mapping[str, Any]:
    if not isinstance(data, Mapping):
        raise ImagingError(f"{where}: found {type(data).__name__}; expected an object with named fields.")
    return data


def _items(root: Mapping[str, Any], key: str) -> list[tuple[object, str]]:
    items = root.get(key, [])
    if not isinstance(items, Sequence) or isinstance(items, str):
        raise ImagingError(f"chart.json: {key} is {type(items).__name__}; expected a list.")
    if len(items) > MAX_ELEMENTS:
        raise ImagingError(
            f"chart.json: {len(items)} {key} are more than the {MAX_ELEMENTS} a sheet may have."
        )
    return [(item, f"chart.json: {key}[{k}]") for k, item in enumerate(items)]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= sys.float_info.max


def _number(
    item: Mapping[str, Any], key: str, where: str, *, low: float, high: float, default: float | None = None
) -> float:
    value: Any = item.get(key, default)
    if not (_is_number(value) and low < value <= high):
        raise ImagingError(f"{where}: {key} is {value!r}; give a number above {low:g}, at most {high:g}.")
    return float(value)


def _point(value: object, where: str) -> tuple[float, float]:
    is_pair = isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 2
    pair: Any = value if is_pair else (None, None)
    if not all(_is_number(v) and abs(v) < MAX_COORDINATE_MM for v in pair):
        raise ImagingError(f"{where} is {value!r}; give two numbers [x, y] in mm.")
    return float(pair[0]), float(pair[1])


def _name(item: Mapping[str, Any], where: str) -> str:
    name = item.get("id")
    if not isinstance(name, str) or not name.strip():
        raise ImagingError(f'{where}: id is {name!r}; give a name such as "S0".')
    return name


def _kind(value: object) -> StarKind:
    try:
        return StarKind(value)  # type: ignore[arg-type]
    except ValueError as error:
        raise ImagingError(f"chart.json: star_kind is {value!r}; give sinusoidal or binary.") from error


def _dictionary(value: object) -> str:
    if not isinstance(value, str) or not value.startswith("DICT_"):
        raise ImagingError(
            f"chart.json: marker_dictionary is {value!r}; give an ArUco name such as DICT_4X4_50."
        )
    return value


def _refuse_twins(what: str, ids: Sequence[object]) -> None:
    seen: set[object] = set()
    for one in ids:
        if one in seen:
            raise ImagingError(f"chart.json: the {what} id {one!r} is used twice; give each its own.")
        seen.add(one)
