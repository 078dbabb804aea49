"""The tilt of a page's feed: a plane through the corners, without the chart's own turn."""

import math

import numpy as np
import pytest

from shimwise.bench.meter.feed_tilt import EVERY_S, FeedTilt
from shimwise.imaging.meter.offsets import Offset

SIZE_PX, PITCH_UM, FOCAL_MM, DISTANCE_MM = (1920, 1080), 6.0, 35.0, 914.4
CHART_MM = ((0.0, 0.0), (-110.0, -60.0), (110.0, -60.0), (-110.0, 60.0), (110.0, 60.0))


class Star:
    """A star's meter whose difference to the centre one is known."""

    def __init__(self, apart_um: float, *, is_side_known: bool = True) -> None:
        self.apart_um, self.is_side_known = apart_um, is_side_known

    def apart_from(self, _: "Star") -> Offset:
        return Offset(self.apart_um, 0.1)


class Uncompared(Star):
    """A star that too few frames show for a comparison."""

    def __init__(self) -> None:
        super().__init__(0.0)

    def apart_from(self, _: Star) -> None:  # type: ignore[override]
        return None


def filmed(
    tilt_x_um: float, *, yaw_deg: float = 0.0, pitch_deg: float = 0.0
) -> dict[int, tuple[Star, tuple[float, float]]]:
    """Film a turned chart: where its stars are, and how far each is from the centre one."""
    yaw, pitch = math.radians(yaw_deg), math.radians(pitch_deg)
    behind_mm = FOCAL_MM * DISTANCE_MM / (DISTANCE_MM - FOCAL_MM)
    seen = {}
    for number, (x_mm, y_mm) in enumerate(CHART_MM):
        depth_mm = DISTANCE_MM + x_mm * math.sin(yaw) + y_mm * math.sin(pitch)
        px = [
            (side - 1) / 2 + 1e3 * behind_mm * mm * math.cos(turn) / depth_mm / PITCH_UM
            for side, mm, turn in zip(SIZE_PX, (x_mm, y_mm), (yaw, pitch), strict=True)
        ]
        best_um = 1e3 * (FOCAL_MM * depth_mm / (depth_mm - FOCAL_MM) - behind_mm)
        best_um += tilt_x_um * (px[0] - (SIZE_PX[0] - 1) / 2) / SIZE_PX[0]
        seen[number] = (Star(-best_um), (px[0], px[1]))
    return seen


def shown(
    stars: object, *, distance_mm: float | None = DISTANCE_MM, focal_mm: float | None = FOCAL_MM
) -> FeedTilt:
    tilt = FeedTilt(pitch_um=PITCH_UM, focal_mm=focal_mm, distance_mm=distance_mm)
    for k in range(9):
        tilt.add(k * (EVERY_S + 0.01), stars, size_px=SIZE_PX)  # type: ignore[arg-type]
    return tilt


@pytest.mark.parametrize(("yaw_deg", "pitch_deg"), [(0.0, 0.0), (1.5, 0.0), (-1.0, 0.8)])
def test_the_charts_own_turn_is_taken_out_though_nobody_knows_the_sheet(
    yaw_deg: float, pitch_deg: float
) -> None:
    found = shown(filmed(8.0, yaw_deg=yaw_deg, pitch_deg=pitch_deg)).tilt
    assert found is not None
    assert found.is_chart_out
    assert (found.x_um, found.y_um) == pytest.approx((8.0, 0.0), abs=0.4)
    assert abs(found.x_um - 8.0) < 3 * found.x_sd_um


def test_a_degree_of_the_chart_would_be_tens_of_microns_of_tilt() -> None:
    left_in = shown(filmed(8.0, yaw_deg=1.5), distance_mm=None).tilt
    assert left_in is not None
    assert not left_in.is_chart_out
    assert abs(left_in.x_um - 8.0) > 10.0


def test_stars_that_make_no_rectangle_leave_the_charts_turn_in() -> None:
    stars = filmed(8.0)
    stars[4] = (stars[4][0], (stars[4][1][0] - 300.0, stars[4][1][1]))
    found = shown(stars).tilt
    assert found is not None
    assert not found.is_chart_out


def test_without_a_side_or_with_two_stars_there_is_no_tilt_and_one_that_was_seen_stays() -> None:
    stars = filmed(8.0)
    blind = {n: (Star(one.apart_um, is_side_known=False), at) for n, (one, at) in stars.items()}
    assert shown(blind).tilt is None
    assert shown({n: stars[n] for n in (0, 1)}).tilt is None
    seen = shown(stars)
    before = seen.tilt
    seen.add(99.0, blind, size_px=SIZE_PX)  # type: ignore[arg-type]
    assert seen.tilt == before


def test_one_star_is_compared_at_a_time() -> None:
    tilt = FeedTilt(pitch_um=PITCH_UM, focal_mm=FOCAL_MM, distance_mm=DISTANCE_MM)
    stars = filmed(8.0)
    for k in range(3):
        tilt.add(0.04 * k, stars, size_px=SIZE_PX)  # type: ignore[arg-type]
    assert len(tilt.differences) == 1
    assert np.isfinite(next(iter(tilt.differences.values())).um)


def test_a_corner_that_is_not_compared_yet_leaves_the_charts_turn_out_all_the_same() -> None:
    stars = filmed(8.0, yaw_deg=1.5)
    stars[2] = (Uncompared(), stars[2][1])
    found = shown(stars).tilt
    assert found is not None
    assert found.is_chart_out
    assert found.x_um == pytest.approx(8.0, abs=0.6)
    del stars[2]  # out of the picture: three corners make no rectangle
    without = shown(stars).tilt
    assert without is not None
    assert not without.is_chart_out
    assert abs(without.x_um - 8.0) > 3.0
