"""A plane through the stars' differences."""

import numpy as np
import pytest

from shimwise.imaging.meter.tilt import live_tilt

CHART_MM = np.array([[0.0, 0.0], [-110.0, -58.0], [110.0, -58.0], [-110.0, 58.0], [110.0, 58.0]])
PX = np.array([639.5, 359.5]) + 3.6 * CHART_MM


def tilt_of(difference_um: np.ndarray, **given: object) -> object:
    known = {"size_px": (1280, 720), "pitch_um": 6.0, "focal_mm": None} | given
    return live_tilt(CHART_MM, PX, difference_um, np.full(5, 0.1), **known)  # type: ignore[arg-type]


def test_a_plane_is_told_edge_to_edge_with_a_sweeps_sign() -> None:
    # Places by a star rise to the right by 10 µm over the width: its best focus falls by as much.
    found = tilt_of(10.0 * (PX[:, 0] - 639.5) / 1280 + 3.0 * np.hypot(*(PX - PX[0]).T) ** 2 / 7e5)
    assert found is not None
    assert (found.x_um, found.y_um) == pytest.approx((-10.0, 0.0), abs=1e-6)
    assert 0.05 < found.x_sd_um < 0.3
    assert not found.is_chart_out


def test_a_chart_that_is_turned_is_taken_out() -> None:
    square = tilt_of(np.zeros(5), focal_mm=25.0)
    assert square is not None
    assert square.is_chart_out
    assert (square.x_um, square.y_um) == pytest.approx((0.0, 0.0), abs=0.02)


def test_two_stars_show_no_plane() -> None:
    assert (
        live_tilt(
            CHART_MM[:2], PX[:2], np.zeros(2), np.ones(2), size_px=(1280, 720), pitch_um=6.0, focal_mm=None
        )
        is None
    )


def test_a_star_that_knows_little_counts_little() -> None:
    apart = np.array([0.0, -4.0, 4.0, -4.0, 9.0])
    # Without curvature in it: four stars would do.
    sd = np.array([0.0, 0.1, 0.1, 0.1, 8.0])
    found = live_tilt(CHART_MM, PX, apart, sd, size_px=(1280, 720), pitch_um=6.0, focal_mm=None)
    assert found is not None
    # Three corners rise from left to right by 8 µm in 792 px.
    assert found.x_um == pytest.approx(-8.0 * 1280 / 792, abs=0.1)
    assert found.x_sd_um < 0.5
