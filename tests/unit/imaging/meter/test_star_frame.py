"""A star found and measured in single frames: a kept one far out of focus, and painted ones."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from shimwise.imaging.frames.levels import CodeLevels, codes_to_linear
from shimwise.imaging.meter.lock import find_star, lock
from shimwise.imaging.meter.star_frame import StarPlace, measure_frame, pixel_plan, rim_radius

FOLDER = Path(__file__).parents[3] / "reference" / "meter-1"
LEVELS = CodeLevels(black=16, white=235, transfer="Rec.709", bits=8, is_limited=True)
CENTRE, RADIUS = (111.3, 108.6), 84.0


def painted(*, black: float = 0.0, light: float = 1.0, shift: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """Sinusoidal star of 60 spokes on paper, sampled at the pixels' middles, modulation 1 of its contrast."""
    rows, columns = np.mgrid[0:220, 0:224]
    x, y = columns - CENTRE[0] - shift[0], rows - CENTRE[1] - shift[1]
    star = 0.5 + 0.5 * np.cos(60 * np.arctan2(y, x) - 0.7)
    return np.float32(light * (0.6 * np.where(np.hypot(x, y) < RADIUS, star, 1.0) + black))


def test_a_star_55_um_out_of_focus_is_found_in_one_frame() -> None:
    codes = cv2.imread(str(FOLDER / "frame-0.png"), cv2.IMREAD_GRAYSCALE)
    found = find_star(codes_to_linear(codes, LEVELS), 80, pitch_um=6.0)
    assert found is not None
    assert found.centre_px == pytest.approx((199.5, 199.5), abs=0.3)
    assert found.radius_px == pytest.approx(164.8, abs=1.0)


def test_a_star_of_other_spokes_is_refused() -> None:
    assert find_star(painted(), 48, pitch_um=6.0) is None
    assert find_star(np.full((220, 224), 0.5, np.float32), 60, pitch_um=6.0) is None


@pytest.mark.parametrize("off", [(0.0, 10.0), (-7.0, 7.0)])
def test_a_star_pointed_at_roughly_is_found(off: tuple[float, float]) -> None:
    rough = StarPlace((CENTRE[0] + off[0], CENTRE[1] + off[1]), 1.06 * RADIUS)
    found = lock(painted(), rough, 60, pitch_um=6.0)
    assert found is not None
    assert found.centre_px == pytest.approx(CENTRE, abs=0.02)


def test_black_level_and_light_cancel() -> None:
    place = StarPlace(CENTRE, RADIUS, 0.7)
    plan = pixel_plan(60, RADIUS, pitch_um=6.0, blur_px=2.0)
    plain = measure_frame(painted(), place, plan, white=2.0)
    other = measure_frame(painted(black=0.05, light=0.9), place, plan, white=2.0)
    # Amplitude of the spokes by paper less the star's mean: both are half of the print's contrast.
    assert plain.modulation == pytest.approx(np.ones(plan.count), abs=0.01)
    assert other.modulation == pytest.approx(plain.modulation, abs=1e-3)


def test_a_jump_of_two_pixels_is_followed() -> None:
    place = StarPlace(CENTRE, RADIUS, 0.7)
    plan = pixel_plan(60, RADIUS, pitch_um=6.0, blur_px=2.0)
    seen = measure_frame(painted(shift=(1.4, -1.4)), place, plan, white=2.0)
    assert seen.place.centre_px == pytest.approx((CENTRE[0] + 1.4, CENTRE[1] - 1.4), abs=0.02)
    assert seen.modulation == pytest.approx(np.ones(plan.count), abs=0.01)


def test_a_step_too_small_to_sum_again_takes_no_modulation() -> None:
    place = StarPlace(CENTRE, RADIUS, 0.7)
    plan = pixel_plan(60, RADIUS, pitch_um=6.0, blur_px=2.0)
    still = measure_frame(painted(), place, plan, white=2.0)
    moved = measure_frame(painted(shift=(0.08, 0.07)), place, plan, white=2.0)
    # 2 % were lost at the finest rings where the cells' phases were not turned by the last step.
    assert moved.modulation == pytest.approx(still.modulation, abs=8e-3)


def test_rings_that_look_like_a_smaller_disc_do_not_hide_the_rim() -> None:
    found = lock(painted(), StarPlace(CENTRE, 0.6 * RADIUS), 60, pitch_um=6.0)
    assert found is not None
    assert found.radius_px == pytest.approx(RADIUS, abs=1.0)
    assert rim_radius(np.full((220, 224), 0.5, np.float32), StarPlace(CENTRE, RADIUS)) is None


def test_the_rims_radius_is_that_of_the_dark() -> None:
    place = StarPlace(CENTRE, 1.01 * RADIUS, 0.7)
    plan = pixel_plan(60, RADIUS, pitch_um=6.0, blur_px=2.0)
    assert measure_frame(painted(), place, plan, white=2.0).rim_px == pytest.approx(RADIUS, abs=0.15)


def test_quarters_show_which_spokes_are_soft() -> None:
    smooth = cv2.GaussianBlur(painted(), (1, 9), sigmaX=1e-3, sigmaY=1.5)
    seen = measure_frame(
        smooth, StarPlace(CENTRE, RADIUS, 0.7), pixel_plan(60, RADIUS, pitch_um=6.0, blur_px=2.0), white=2.0
    )
    level, _, upright, _ = seen.quarters.mean(axis=1)
    # Smoothed up and down: level spokes lose, upright ones do not.
    assert level < 0.75 * upright


def test_how_pixels_lie_on_the_spokes_changes_all_rings_together_by_less_than_a_thousandth() -> None:
    place = StarPlace(CENTRE, RADIUS, 0.7)
    plan = pixel_plan(60, RADIUS, pitch_um=6.0, blur_px=2.0)
    offs = np.random.default_rng(2).uniform(-0.1, 0.1, (8, 2)) + np.array([[0.0, 0.0], [0.5, 0.3]] * 4)
    means = [
        float(measure_frame(painted(shift=(x, y)), place, plan, white=2.0).modulation.mean()) for x, y in offs
    ]
    # By the mean of the pixels within the rim it was .0015, which is a square of .5·N² µm².
    assert float(np.std(means)) < 5e-4
