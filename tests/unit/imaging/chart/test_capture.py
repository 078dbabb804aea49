"""Frames are taken one by one; what cannot be used is refused in words."""

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import capture, start_from_star
from shimwise.imaging.chart.layout import layout_from_json, layout_of_star

STAR = layout_of_star(spokes=36, radius_mm=10.0)
START = start_from_star(STAR, centre_px=(60.0, 50.0), radius_px=40.0)


def frames(
    count: int = 8, shape: tuple[int, int] = (100, 120)
) -> Iterator[tuple[float, NDArray[np.float32]]]:
    return ((float(k), np.full(shape, 0.5, np.float32)) for k in range(count))


def test_only_what_stands_around_the_star_is_kept() -> None:
    taken = capture(frames(shape=(400, 500)), STAR, start=START)
    assert taken.size_px == (500, 400)
    assert taken.position == [float(k) for k in range(8)]
    crop = taken.stars[0][0]
    assert crop.pixels.shape[0] < 130
    assert crop.pixels.shape[1] < 130
    assert crop.left <= 20
    assert crop.pixels.base is None


def test_a_star_pointed_at_gives_the_map() -> None:
    np.testing.assert_allclose(START @ [1.0, 0.0, 1.0], [64.0, 50.0, 1.0])


def test_frames_of_two_sizes_are_refused() -> None:
    mixed = [(0.0, np.zeros((100, 120))), (1.0, np.zeros((100, 121)))]
    with pytest.raises(ImagingError, match="Frame 2 is 121 x 100 px, the first is 120 x 100"):
        capture(mixed, STAR, start=START)


def test_colour_frames_and_no_frames_are_refused() -> None:
    with pytest.raises(ImagingError, match=r"Frame 1 has the shape \(100, 120, 3\)"):
        capture([(0.0, np.zeros((100, 120, 3)))], STAR, start=START)
    with pytest.raises(ImagingError, match="no frames"):
        capture([], STAR, start=START)


def test_a_chart_without_markers_asks_for_the_stars_place() -> None:
    with pytest.raises(ImagingError, match="give the star's centre and radius"):
        capture(frames(), STAR)


def test_markers_that_are_never_seen_are_told() -> None:
    corners = [[-5, -5], [5, -5], [5, 5], [-5, 5]]
    layout = layout_from_json(
        {
            "stars": [{"id": "S0", "centre_mm": [0, 0], "radius_mm": 10, "spokes": 36}],
            "markers": [{"id": 0, "corners_mm": corners}],
        }
    )
    with pytest.raises(ImagingError, match="None of the 1 markers was found in 8 frames"):
        capture(frames(), layout)


def test_a_position_that_is_no_number_leaves_its_frame_out() -> None:
    some = [(0.0, np.zeros((100, 120))), (float("nan"), np.zeros((100, 120)))]
    taken = capture(some, STAR, start=START)
    assert taken.position == [0.0]
    assert taken.left_out == ["frame 2 has the position nan"]
