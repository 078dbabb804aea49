"""Markers are found where they were drawn, and followed."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import layout_from_json
from shimwise.imaging.chart.markers import (
    find_markers,
    fit_homography,
    follow_markers,
    map_points,
    track_chart,
)

FloatArray = NDArray[np.float64]

SIDE = 30.0
PLACES = {0: (-120.0, -70.0), 1: (120.0, -70.0), 2: (120.0, 70.0), 3: (-120.0, 70.0)}


def corners_mm(number: int) -> FloatArray:
    half = SIDE / 2 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return np.array(PLACES[number]) + half


LAYOUT = layout_from_json(
    {
        "stars": [{"id": "S0", "centre_mm": [0, 0], "radius_mm": 20, "spokes": 72}],
        "markers": [{"id": k, "corners_mm": corners_mm(k).tolist()} for k in PLACES],
        "marker_dictionary": "DICT_4X4_50",
    }
)
TO_PX = np.array([[3.0, 0.06, 480.3], [-0.05, 3.0, 300.8], [4e-5, -2e-5, 1.0]])


def sheet(
    to_px: FloatArray = TO_PX, *, blur: float = 1.2, size: tuple[int, int] = (960, 600)
) -> NDArray[np.float32]:
    """The markers drawn by OpenCV on a fine sheet, then warped with 4 x 4 samples a pixel and averaged."""
    fine, dictionary = 8, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    paper = np.full((200 * fine, 320 * fine), 200, np.uint8)
    for number, (x, y) in PLACES.items():
        marker = cv2.aruco.generateImageMarker(dictionary, number, int(SIDE * fine))
        top, left = int((y + 100 - SIDE / 2) * fine), int((x + 160 - SIDE / 2) * fine)
        paper[top : top + marker.shape[0], left : left + marker.shape[1]] = marker // 5 * 4
    from_fine = np.array([[1 / fine, 0, -160 + 0.5 / fine], [0, 1 / fine, -100 + 0.5 / fine], [0, 0, 1]])
    grow = np.array([[4, 0, 1.5], [0, 4, 1.5], [0, 0, 1.0]])
    big = cv2.warpPerspective(
        paper, grow @ to_px @ from_fine, (4 * size[0], 4 * size[1]), borderValue=200, flags=cv2.INTER_AREA
    )
    frame = big.reshape(size[1], 4, size[0], 4).mean(axis=(1, 3)) / 255
    return cv2.GaussianBlur(frame, (0, 0), blur).astype(np.float32)


def test_corners_are_found_to_a_fifth_of_a_pixel_and_their_centres_far_better() -> None:
    found = find_markers(sheet(), LAYOUT)
    assert sorted(found) == [0, 1, 2, 3]
    for number, corners in found.items():
        expected = map_points(TO_PX, corners_mm(number))
        # A blurred corner is rounded: each lies a little inside, all four alike, so that the centre stays.
        np.testing.assert_allclose(corners, expected, atol=0.2)
        np.testing.assert_allclose(corners.mean(axis=0), expected.mean(axis=0), atol=0.05)


def test_corners_are_followed_when_the_picture_shifts() -> None:
    found = find_markers(sheet(), LAYOUT)
    moved = TO_PX.copy()
    moved[:2, 2] += [1.7, -1.1]
    followed = follow_markers(sheet(moved), found)
    for number in PLACES:
        np.testing.assert_allclose(followed[number], map_points(moved, corners_mm(number)), atol=0.2)


def test_corners_run_on_lines_through_the_sweep() -> None:
    seen = []
    for u in (-1.0, -0.5, 0.0, 0.5, 1.0):
        grown = 1 + 0.004 * u
        seen.append((u, {k: 500 + grown * corners_mm(k) for k in PLACES}))
    track = track_chart(seen, LAYOUT)
    np.testing.assert_allclose(track.drift_px[2], 0.004 * corners_mm(2), atol=1e-9)
    np.testing.assert_allclose(map_points(track.homography(1.0), corners_mm(1)), 500 + 1.004 * corners_mm(1))


def test_homography_is_opencvs() -> None:
    rng = np.random.default_rng(1)
    chart = rng.uniform(-100, 100, (12, 2))
    px = map_points(TO_PX, chart)
    expected = cv2.findHomography(chart, px)[0]
    np.testing.assert_allclose(fit_homography(chart, px), expected, atol=1e-6)


def test_an_empty_picture_shows_no_marker_and_a_sweep_of_them_is_refused() -> None:
    assert find_markers(np.full((300, 400), 0.5, np.float32), LAYOUT) == {}
    with pytest.raises(ImagingError, match="None of the 4 markers of the chart was found in any frame"):
        track_chart([(0.0, {}), (1.0, {})], LAYOUT)


def test_an_unknown_dictionary_is_refused_by_name() -> None:
    strange = layout_from_json(
        {
            "stars": [{"id": "S", "centre_mm": [0, 0], "radius_mm": 1, "spokes": 9}],
            "marker_dictionary": "DICT_X",
        }
    )
    with pytest.raises(ImagingError, match="'DICT_X', which does not exist"):
        find_markers(np.zeros((64, 64), np.float32), strange)
