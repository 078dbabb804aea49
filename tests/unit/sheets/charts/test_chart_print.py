"""The printed sheet against chart.json, seen through poppler's rasteriser at 1,200 dpi."""

import io
import json
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pypdf
import pytest

from shimwise.imaging.chart.layout import layout_from_json
from shimwise.imaging.chart.markers import find_markers, fit_homography, map_points
from shimwise.sheets.charts.code import layout_from_code

pytestmark = pytest.mark.slow  # sets pages

DOT_MM = 25.4 / 1200
SHEETS = [("A4", 5, "binary"), ("A3", 9, "binary"), ("A4", 5, "sinusoidal"), ("210x297", 5, "binary")]


@pytest.mark.parametrize(("paper", "stars", "kind"), SHEETS)
def test_the_page_is_as_large_as_the_paper(
    printed: Callable[..., Any], paper: str, stars: int, kind: str
) -> None:
    sheet = printed(paper, stars=stars, kind=kind)
    box = pypdf.PdfReader(io.BytesIO(sheet.pdf)).pages[0].mediabox
    size_mm = [float(v) / 72 * 25.4 for v in (box.width, box.height)]
    assert size_mm == pytest.approx([sheet.plan.width_mm, sheet.plan.height_mm], abs=1e-3)


def test_print_dialogs_are_asked_not_to_scale(printed: Callable[..., Any]) -> None:
    # ISO 32000-1, table 150: None asks for no page scaling.
    told = pypdf.PdfReader(io.BytesIO(printed("A4").pdf)).viewer_preferences
    assert told is not None
    assert told.print_scaling == "/None"


@pytest.mark.parametrize(("paper", "stars", "kind"), SHEETS)
def test_both_bars_are_100_mm_to_five_hundredths(
    printed: Callable[..., Any], paper: str, stars: int, kind: str
) -> None:
    sheet = printed(paper, stars=stars, kind=kind)
    for bar in sheet.layout["scale_bars"]:
        along = 0 if bar["from_mm"][1] == bar["to_mm"][1] else 1
        ends = []
        for end in (bar["from_mm"], bar["to_mm"]):
            # Beyond 2.6 mm from the back of the bar only the long lines of every tenth millimetre reach.
            place = list(end)
            place[1 - along] += 3.4
            signal, x, y = sheet.around(*place, 0.4)
            ink = 1 - signal
            ends.append((ink * (x, y)[along]).sum() / ink.sum())
        assert ends[1] - ends[0] == pytest.approx(100.0, abs=0.05)


@pytest.mark.parametrize(("paper", "stars", "kind"), SHEETS)
def test_every_star_stands_where_chart_json_says(
    printed: Callable[..., Any], paper: str, stars: int, kind: str
) -> None:
    # A star of n ≥ 2 equal spokes has the centroid of its ink in its centre, whatever its grey.
    sheet = printed(paper, stars=stars, kind=kind)
    assert len(sheet.layout["stars"]) == stars
    # Every star of the landscape sheets; two of the grey sheet, which takes long, and of the upright one.
    seen = sheet.layout["stars"][slice(None) if kind == "binary" and paper in {"A4", "A3"} else slice(1, 3)]
    for star in seen:
        (cx, cy), radius = star["centre_mm"], star["radius_mm"]
        signal, x, y = sheet.around(cx, cy, radius + 0.5)
        ink = np.where(np.hypot(x - cx, y - cy) < radius + 0.3, 1 - signal, 0.0)
        centre = (ink * x).sum() / ink.sum(), (ink * y).sum() / ink.sum()
        assert centre == pytest.approx((cx, cy), abs=0.02)


@pytest.mark.parametrize(("paper", "stars", "kind"), SHEETS)
def test_every_marker_corner_stands_where_chart_json_says(
    printed: Callable[..., Any], paper: str, stars: int, kind: str
) -> None:
    sheet = printed(paper, stars=stars, kind=kind)
    for marker in sheet.layout["markers"]:
        middle = marker["centre_mm"]
        for corner in marker["corners_mm"]:
            signal, x, y = sheet.around(*corner, 0.6)
            ink = 1 - signal
            found = []
            for axis, grid in ((0, x), (1, y)):
                inward = np.sign(middle[axis] - corner[axis])
                lines = ink if axis == 0 else ink.T
                places = grid[0] if axis == 0 else grid[:, 0]
                # Rows well inside the border: the ink's length from the crop's inner end gives the edge.
                across = (y[:, 0] - corner[1]) * np.sign(middle[1] - corner[1])
                if axis == 1:
                    across = (x[0] - corner[0]) * np.sign(middle[0] - corner[0])
                length = lines[across > 0.1].sum(axis=1).mean() * DOT_MM
                end = places[-1] + DOT_MM / 2 if inward > 0 else places[0] - DOT_MM / 2
                found.append(end - inward * length)
            assert found == pytest.approx(corner, abs=0.02)


def test_a_finder_of_markers_sees_all_four_in_place(printed: Callable[..., Any]) -> None:
    sheet = printed("A3", stars=9)
    dpi, (left, top) = 200, sheet.layout["sheet"]["origin_mm"]
    picture = (255 * sheet.region(0, 0, 420, 297, dpi=dpi)).astype(np.uint8)
    found = _markers(picture)
    for marker in sheet.layout["markers"]:
        dots = (np.array(marker["corners_mm"]) + np.array([left, top])) / 25.4 * dpi - 0.5
        assert found[marker["id"]] == pytest.approx(dots, abs=1.0)


def test_the_measuring_side_finds_every_star_by_the_markers(printed: Callable[..., Any]) -> None:
    sheet = printed("A3", stars=9)
    dpi, (left, top) = 150, sheet.layout["sheet"]["origin_mm"]
    layout = layout_from_json(sheet.layout)
    seen = find_markers(sheet.region(0, 0, 420, 297, dpi=dpi).astype(np.float32), layout)
    corners_mm = layout.marker_corners_mm()
    chart_mm = np.concatenate([corners_mm[number] for number in sorted(seen)])
    picture = fit_homography(chart_mm, np.concatenate([seen[number] for number in sorted(seen)]))
    places_mm = np.array([star.centre_mm for star in layout.stars])
    dots = (places_mm + np.array([left, top])) / 25.4 * dpi - 0.5
    assert len(seen) == 4
    assert map_points(picture, places_mm) == pytest.approx(dots, abs=0.25)


@pytest.mark.parametrize(("blur_modules", "is_found"), [(0.7, True), (3.0, False)])
def test_markers_are_found_at_the_blur_they_are_made_for_and_not_at_any(
    printed: Callable[..., Any], blur_modules: float, is_found: bool
) -> None:
    sheet = printed("A4")
    marker = sheet.layout["markers"][2]
    signal, _, _ = sheet.around(*marker["centre_mm"], marker["side_mm"], dpi=600)
    blur_dots = blur_modules * marker["side_mm"] / 6 / 25.4 * 600
    size = int(np.ceil(blur_dots)) | 1
    disc = (np.hypot(*(np.indices((size, size)) - size // 2)) <= blur_dots / 2).astype(np.float64)
    blurred = cv2.filter2D(signal, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE)
    assert (marker["id"] in _markers((255 * blurred).astype(np.uint8))) is is_found


def test_the_square_code_tells_the_whole_layout(printed: Callable[..., Any]) -> None:
    sheet = printed("A4")
    picture = sheet.region(260, 170, 37, 40, dpi=400)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode((255 * picture).astype(np.uint8))
    assert layout_from_code(text) == sheet.layout


@pytest.mark.parametrize(("paper", "stars", "kind"), SHEETS)
def test_chart_json_travels_in_the_pdf_and_the_measuring_side_reads_it(
    printed: Callable[..., Any], paper: str, stars: int, kind: str
) -> None:
    sheet = printed(paper, stars=stars, kind=kind)
    attached = pypdf.PdfReader(io.BytesIO(sheet.pdf)).attachments
    assert list(attached) == ["chart.json"]
    data = json.loads(attached["chart.json"][0])
    assert data == sheet.layout
    layout = layout_from_json(data)
    assert len(layout.stars) == stars
    assert layout.centre_star.id == "S0"
    assert layout.star_kind == kind


def test_grey_spokes_are_a_sine_of_light_with_the_contrast_told(printed: Callable[..., Any]) -> None:
    # Light from the signal by IEC 61966-2-1; the first harmonic over the mean is the contrast, by definition.
    sheet = printed("A4", stars=5, kind="sinusoidal")
    star = sheet.layout["stars"][0]
    (cx, cy), radius, spokes = star["centre_mm"], star["radius_mm"], star["spokes"]
    # Fine dots, since the rasteriser's own smoothing of edges is not linear in light.
    signal, x, y = sheet.around(cx + 0.8 * radius, cy, 0.07 * radius, dpi=4800)
    r, angle = np.hypot(x - cx, y - cy), np.arctan2(y - cy, x - cx)
    ring = (r > 0.75 * radius) & (r < 0.85 * radius)
    s = signal[ring]
    light = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
    design = np.stack([np.cos(k * spokes * angle[ring]) for k in range(4)], axis=1)
    design = np.concatenate([design, np.sin(spokes * angle[ring])[:, None]], axis=1)
    mean, first, second, third, sine = np.linalg.lstsq(design, light, rcond=None)[0]
    assert first / mean == pytest.approx(sheet.layout["contrast"], abs=0.01)
    assert max(abs(second), abs(third), abs(sine)) / mean < 0.01
    assert light.max() > 0.99


def test_dark_spokes_stand_half_a_spoke_from_the_x_axis(printed: Callable[..., Any]) -> None:
    sheet = printed("A4")
    star = sheet.layout["stars"][0]
    (cx, cy), radius, spokes = star["centre_mm"], star["radius_mm"], star["spokes"]
    signal, x, y = sheet.around(cx, cy, radius + 0.5)
    r, angle = np.hypot(x - cx, y - cy), np.arctan2(y - cy, x - cx)
    ring = (r > 0.6 * radius) & (r < 0.95 * radius)
    wave = (signal[ring] * np.exp(1j * spokes * angle[ring])).mean()
    assert np.angle(wave) == pytest.approx(0.0, abs=0.02)
    # A square wave of full contrast has the first harmonic 4/π about the mean 1/2, so 1/π here.
    assert abs(wave) == pytest.approx(1 / np.pi, abs=0.01)


def _markers(picture: np.ndarray) -> dict[int, np.ndarray]:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(picture)
    return {} if ids is None else {int(i): c[0] for i, c in zip(ids.ravel(), corners, strict=True)}
