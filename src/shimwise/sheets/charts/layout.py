"""Where every part of a chart is, in millimetres from the centre star, x right and y down.

The layout is a pure function of the plan. Dark spokes of a star lie half a spoke from the x axis: the
darkness is 1/2 − 1/2·cos nθ, θ from x towards y.
"""

import itertools
import math
from collections.abc import Sequence
from typing import Any

from shimwise.errors import SheetError
from shimwise.sheets.charts.plan import ChartPlan

DICTIONARY = "DICT_4X4_50"
SQUARE_ANGLE_DEG = 5.0
SQUARE_TURNED = math.cos(math.radians(SQUARE_ANGLE_DEG)) + math.sin(math.radians(SQUARE_ANGLE_DEG))
"""Width of the box about a unit square that is turned by that angle."""
MARGIN_MM = 8.0
TOP_MM = 18.0
BOTTOM_MM = 34.0
SIDE_MM = 18.0
"""Kept free of stars: the printer's margin, the bars, the words."""
GAP_MM = 3.0
BAR_MM = 100.0
UPRIGHT_STARS = (0, 1, 3, 2, 4, 6, 5, 8, 7)
UPRIGHT_MARKERS = (0, 3, 2, 1)
"""Order that keeps the names by rows, and markers clockwise, when a field is upright."""

Point = tuple[float, float]


def room_mm(width_mm: float, height_mm: float) -> tuple[float, float]:
    """Return the width and height that a sheet leaves for stars, squares and markers, mm."""
    return width_mm - 2 * SIDE_MM, height_mm - TOP_MM - BOTTOM_MM


def origin_of(plan: ChartPlan) -> Point:
    """Return the centre star's place from the sheet's top left corner, mm."""
    return plan.width_mm / 2, TOP_MM + (plan.height_mm - TOP_MM - BOTTOM_MM) / 2


def layout_of(plan: ChartPlan) -> dict[str, Any]:
    """Lay out a chart.

    Returns
    -------
    dict
        Content of chart.json, without its id: stars, edges, markers, kind and contrast, sheet and scale bars.

    Raises
    ------
    SheetError
        If the parts do not fit beside one another.
    """
    reason = trouble(plan)
    if reason:
        raise SheetError(f"{reason}. Choose larger paper, a nearer distance, fewer stars or smaller parts.")
    return _layout(plan)


def trouble(plan: ChartPlan) -> str:
    """Return what does not fit; empty if all does."""
    room = room_mm(plan.width_mm, plan.height_mm)
    if plan.field_width_mm > room[0] + 1e-6 or plan.field_height_mm > room[1] + 1e-6:
        return f"The paper leaves {room[0]:g} × {room[1]:g} mm for the stars"
    layout = _layout(plan)
    field = f"{plan.field_width_mm:g} × {plan.field_height_mm:g} mm"
    half = plan.field_width_mm / 2, plan.field_height_mm / 2
    turned = SQUARE_TURNED / 2
    shapes = [(f"star {s['id']}", s["centre_mm"], s["radius_mm"], True) for s in layout["stars"]]
    shapes += [(f"square {e['id']}", e["centre_mm"], e["side_mm"] * turned, False) for e in layout["edges"]]
    shapes += [(f"marker {m['id']}", m["centre_mm"], m["side_mm"] * 2 / 3, False) for m in layout["markers"]]
    for name, (x, y), reach, _ in shapes:
        if abs(x) + reach > half[0] + 1e-6 or abs(y) + reach > half[1] + 1e-6:
            return f"The {name} does not fit into {field}"
    for one, other in itertools.combinations(shapes, 2):
        if _gap(one[1:], other[1:]) < GAP_MM - 1e-6:
            return f"The {one[0]} and the {other[0]} stand too close on {field}"
    return ""


def _gap(*shapes: tuple[Sequence[float], float, bool]) -> float:
    """Return the least distance between two shapes, each a centre, a reach and whether it is round. [mm]"""
    (a, _, _), (b, _, _) = shapes
    dx, dy = abs(a[0] - b[0]), abs(a[1] - b[1])
    boxes = sum(reach for _, reach, is_round in shapes if not is_round)
    if not any(is_round for _, _, is_round in shapes):
        return max(dx, dy) - boxes
    discs = sum(reach for _, reach, is_round in shapes if is_round)
    return math.hypot(max(dx - boxes, 0.0), max(dy - boxes, 0.0)) - discs


def _layout(plan: ChartPlan) -> dict[str, Any]:
    stars, squares, markers = _places(plan)
    origin = origin_of(plan)
    x_bar, y_bar = (MARGIN_MM + 3 - side for side in origin)
    half = BAR_MM / 2
    sizes = [(plan.radius_mm, plan.spokes)] + [(plan.small_radius_mm, plan.small_spokes)] * (len(stars) - 1)
    return {
        "schema": "shimwise.chart/1",
        "unit": "mm",
        "stars": [
            _part(f"S{number}", place, radius_mm=radius_mm, spokes=spokes)
            for number, (place, (radius_mm, spokes)) in enumerate(zip(stars, sizes, strict=True))
        ],
        "edges": [
            _part(f"E{number}", place, side_mm=plan.square_mm, angle_deg=SQUARE_ANGLE_DEG)
            for number, place in enumerate(squares)
        ],
        "markers": [_marker(number, place, plan.marker_mm) for number, place in enumerate(markers)],
        "marker_dictionary": DICTIONARY,
        "contrast": plan.kind.contrast,
        "star_kind": plan.kind.value,
        "sheet": {"width_mm": plan.width_mm, "height_mm": plan.height_mm, "origin_mm": _rounded(origin)},
        "scale_bars": [
            {"from_mm": _rounded((-half, y_bar)), "to_mm": _rounded((half, y_bar))},
            {"from_mm": _rounded((x_bar, -half)), "to_mm": _rounded((x_bar, half))},
        ],
    }


def _places(plan: ChartPlan) -> tuple[list[Point], list[Point], list[Point]]:
    """Return the centres of stars, squares and markers, turned if the field is upright."""
    is_upright = plan.field_height_mm > plan.field_width_mm
    long, short = sorted((plan.field_width_mm, plan.field_height_mm), reverse=True)
    row = max(plan.small_radius_mm, plan.marker_mm * 2 / 3)
    x_star, y_row = long / 2 - plan.small_radius_mm, short / 2 - row
    stars = [(0.0, 0.0), (-x_star, -y_row), (x_star, -y_row), (-x_star, y_row), (x_star, y_row)]
    if plan.stars == 9:
        stars += [(0.0, -y_row), (-x_star, 0.0), (x_star, 0.0), (0.0, y_row)]
    x_square = (plan.radius_mm + x_star - plan.small_radius_mm) / 2
    squares = [(-x_square, 0.0), (x_square, 0.0)]
    x_marker = x_star / 2
    markers = [(-x_marker, -y_row), (x_marker, -y_row), (x_marker, y_row), (-x_marker, y_row)]
    if not is_upright:
        return stars, squares, markers
    turned = [stars[k][::-1] for k in UPRIGHT_STARS if k < len(stars)]
    return turned, [p[::-1] for p in squares], [markers[k][::-1] for k in UPRIGHT_MARKERS]


def _marker(number: int, centre: Point, side_mm: float) -> dict[str, Any]:
    x, y, half = *centre, side_mm / 2
    corners = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
    return _part(number, centre, side_mm=side_mm, corners_mm=[_rounded(corner) for corner in corners])


def _part(name: str | int, centre: Point, **sizes: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
    return {"id": name, "centre_mm": _rounded(centre), **sizes}


def _rounded(point: Point) -> list[float]:
    return [round(point[0], 4) + 0.0, round(point[1], 4) + 0.0]
