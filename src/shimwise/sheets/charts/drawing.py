"""A chart's parts as exact vector paths: stars, squares, markers, bars, in millimetres of the sheet.

Every part is a path of an SVG picture whose unit is the millimetre. A grey (sine) star is painted as a stair
of greys from light to dark, each step a path of wedges over the one before, so that no seam shows between
them; greys are those of sRGB (IEC 61966-2-1) for the wanted share of the paper's light.
"""

import itertools
import math
from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any

import numpy as np
import segno

from shimwise.sheets.charts.plan import SpokeKind

BAR_LINE_MM = 0.2
TICK_MM = {0: 4.0, 5: 2.6, 1: 1.4}
INK = "#000000"
GREY_STEPS = 40
"""Greys of a sine star below white; chosen."""
MARKER_MODULES = 4
MARKER_CODES = """
4acd f065 ccd2 66b9 ab61 8632 61d1 3b0d 0125 30a9
066e ee58 f148 d5f0 db4e d9c1 b99a 99ff 93a1 8950
7974 4fd4 332a 227d 01b8 6b8e 531b 5aab dedc cb90
bbea a84d 6130 0f34 f751 f6d6 e78a fb00 f209 e3a5
e8e7 d5d7 cd73 c74d db17 d114 d2c0 b49b afd1 afec
""".split()  # noqa: SIM905 (a table that can be read)
"""Dark modules of the 50 markers of the open dictionary ``DICT_4X4_50``, row by row from the top left, as
hexadecimal numbers of 16 bits. Source: OpenCV 5, ``cv2.aruco.generateImageMarker``; a test compares all."""
Point = tuple[float, float]


def chart_svg(layout: dict[str, Any]) -> str:
    """Draw all that is measured, and the bars, as one SVG of the sheet's true size."""
    sheet = layout["sheet"]
    width, height, (left, top) = sheet["width_mm"], sheet["height_mm"], sheet["origin_mm"]
    kind = SpokeKind(layout["star_kind"])
    parts = [part for star in layout["stars"] for part in _star(star, kind, layout["contrast"])]
    for key, draw in (("edges", _square), ("markers", _marker), ("scale_bars", _bar)):
        parts += [_path(INK, draw(part)) for part in layout[key]]
    body = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}">\n<g transform="translate({left} {top})">\n'
        f"{body}\n</g>\n</svg>\n"
    )


def grey_stair(contrast: float) -> list[tuple[int, float]]:
    """Greys of a sine star, light to dark, each with the darkness from which it is painted.

    Parameters
    ----------
    contrast : float
        (white − black)/(white + black) of the reflected light, 0 to 1, white being the paper's.

    Returns
    -------
    list of (int, float)
        8-bit sRGB grey, and the darkness (0 white, 1 darkest) half-way between it and the grey before.
    """
    darkest = (1 - contrast) / (1 + contrast)
    wanted = 1 - (1 - darkest) * np.arange(GREY_STEPS + 1) / GREY_STEPS
    codes = np.unique(np.round(255 * _light_to_srgb(wanted)).astype(int))[::-1]
    share = (1 - _srgb_to_light(codes / 255)) / (1 - darkest)
    return [
        (int(code), float((a + b) / 2)) for code, a, b in zip(codes[1:], share[:-1], share[1:], strict=True)
    ]


def marker_modules(number: int) -> list[list[bool]]:
    """Return the modules of a marker of ``DICT_4X4_50`` with its black border, True where dark.

    Raises
    ------
    IndexError
        If the dictionary has no such marker (0 to 49).
    """
    code = int(MARKER_CODES[number], 16)
    side = MARKER_MODULES + 2
    inner = [bool(code >> place & 1) for place in reversed(range(MARKER_MODULES**2))]
    rows = [inner[row * MARKER_MODULES :][:MARKER_MODULES] for row in range(MARKER_MODULES)]
    return [[True] * side, *([True, *row, True] for row in rows), [True] * side]


def outline(modules: Sequence[Sequence[bool]]) -> list[list[Point]]:
    """Return the closed outlines of the dark modules, one module wide, so that neighbours share no edge."""
    edges: dict[Point, list[Point]] = {}
    for row, line in enumerate(modules):
        for column, dark in enumerate(line):
            if dark:
                for start, end in _free_edges(modules, row, column):
                    edges.setdefault(start, []).append(end)
    loops: list[list[Point]] = []
    while edges:
        start = at = min(edges)
        loop = [start]
        while True:
            ends = edges[at]
            at = ends.pop()
            if not ends:
                del edges[loop[-1]]
            if at == start:
                break
            loop.append(at)
        loops.append(_corners_only(loop))
    return loops


@cache
def qr_svg(text: str) -> str:
    """Return a QR square as one path (ISO/IEC 18004, error correction M), without its quiet zone."""
    code = segno.make(text, error="m", micro=False, boost_error=False)
    modules = [[bool(value) for value in row] for row in code.matrix]
    side = len(modules)
    loops = ("M" + "L".join(f"{x:g} {y:g}" for x, y in loop) + "Z" for loop in outline(modules))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{side}mm" height="{side}mm" '
        f'viewBox="0 0 {side} {side}"><path d="{"".join(loops)}"/></svg>'
    )


def _free_edges(modules: Sequence[Sequence[bool]], row: int, column: int) -> Iterable[tuple[Point, Point]]:
    """Yield the edges of a dark module that no dark neighbour shares, clockwise."""
    x, y = float(column), float(row)
    corners = ((x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1), (x, y))
    neighbours = ((row - 1, column), (row, column + 1), (row + 1, column), (row, column - 1))
    for (start, end), (r, c) in zip(itertools.pairwise(corners), neighbours, strict=True):
        if not (0 <= r < len(modules) and 0 <= c < len(modules[r]) and modules[r][c]):
            yield start, end


def _corners_only(loop: list[Point]) -> list[Point]:
    """Return a loop without points in the middle of a straight side."""
    around = zip([loop[-1], *loop[:-1]], loop, [*loop[1:], loop[0]], strict=True)
    return [b for a, b, c in around if not (a[0] == b[0] == c[0] or a[1] == b[1] == c[1])]


def _star(star: dict[str, Any], kind: SpokeKind, contrast: float) -> list[str]:
    if kind is SpokeKind.BINARY:
        return [_path(INK, _wedges(star, half_spoke=math.pi / 2))]
    return [
        _path(f"#{code:02x}{code:02x}{code:02x}", _wedges(star, half_spoke=math.acos(2 * darkness - 1)))
        for code, darkness in grey_stair(contrast)
    ]


def _wedges(star: dict[str, Any], *, half_spoke: float) -> str:
    """Return wedges about a dark spoke's middle, ``half_spoke`` [rad of the spokes' cycle] to each side."""
    (x, y), radius, spokes = star["centre_mm"], star["radius_mm"], star["spokes"]
    reach = 4 / 3 * math.tan(half_spoke / spokes / 2) * radius  # of a cubic's handles along the rim
    parts = []
    for number in range(spokes):
        middle = (2 * number + 1) * math.pi / spokes
        a, b = middle - half_spoke / spokes, middle + half_spoke / spokes
        ca, sa, cb, sb = math.cos(a), math.sin(a), math.cos(b), math.sin(b)
        points = (
            (x, y),
            (x + radius * ca, y + radius * sa),
            (x + radius * ca - reach * sa, y + radius * sa + reach * ca),
            (x + radius * cb + reach * sb, y + radius * sb - reach * cb),
            (x + radius * cb, y + radius * sb),
        )
        at = [f"{px:.5f} {py:.5f}" for px, py in points]
        parts.append(f"M{at[0]}L{at[1]}C{at[2]} {at[3]} {at[4]}Z")
    return "".join(parts)


def _square(edge: dict[str, Any]) -> str:
    (x, y), half, turn = edge["centre_mm"], edge["side_mm"] / 2, math.radians(edge["angle_deg"])
    c, s = half * math.cos(turn), half * math.sin(turn)
    return _polygon(
        [(x - c + s, y - s - c), (x + c + s, y + s - c), (x + c - s, y + s + c), (x - c - s, y - s + c)]
    )


def _marker(marker: dict[str, Any]) -> str:
    modules = marker_modules(marker["id"])
    (left, top), module = marker["corners_mm"][0], marker["side_mm"] / len(modules)
    return "".join(
        _polygon([(left + module * x, top + module * y) for x, y in loop]) for loop in outline(modules)
    )


def _bar(bar: dict[str, Any]) -> str:
    """Return a ruler of millimetres; the middle of its first and last line are its ends."""
    (x0, y0), (x1, y1) = bar["from_mm"], bar["to_mm"]
    lies, half = y0 == y1, BAR_LINE_MM / 2
    parts = [_box(x0 - half, y0 - half, x1 + half, y1 + half)]
    for number in range(101):
        length = TICK_MM[0 if number % 10 == 0 else 5 if number % 5 == 0 else 1]
        thin = half if number % 10 == 0 else half / 2
        x, y = x0 + (x1 - x0) * number / 100, y0 + (y1 - y0) * number / 100
        parts.append(
            _box(x - thin, y, x + thin, y + length) if lies else _box(x, y - thin, x + length, y + thin)
        )
    return "".join(parts)


def _box(left: float, top: float, right: float, bottom: float) -> str:
    return _polygon([(left, top), (right, top), (right, bottom), (left, bottom)])


def _polygon(points: Iterable[Point]) -> str:
    return "M" + "L".join(f"{x:.5f} {y:.5f}" for x, y in points) + "Z"


def _path(fill: str, data: str) -> str:
    return f'<path fill="{fill}" d="{data}"/>'


def _light_to_srgb(light: Any) -> Any:  # noqa: ANN401 (floats or arrays)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)


def _srgb_to_light(signal: Any) -> Any:  # noqa: ANN401 (floats or arrays)
    return np.where(signal <= 0.04045, signal / 12.92, ((signal + 0.055) / 1.055) ** 2.4)
