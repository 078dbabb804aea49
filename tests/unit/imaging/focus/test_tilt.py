"""Plane and curvature through the stars' peaks, fitted as one."""

import numpy as np
import pytest
from numpy.typing import NDArray
from one_star import fit_peak

from shimwise.imaging.focus.joint import JointPeaks
from shimwise.imaging.focus.tilt import FieldFit, fit_field, seen_as_yaw
from shimwise.imaging.star.ring_data import RingData
from shimwise.optics.blur import otf_defocus

pytestmark = pytest.mark.slow  # fits many sweeps

FloatArray = NDArray[np.float64]

SIZE = (1921, 1081)
FREQUENCY = np.array([20.0, 35.0, 50.0, 65.0])
FIVE = np.array([[960.0, 540.0], [160.0, 90.0], [1760.0, 90.0], [160.0, 990.0], [1760.0, 990.0]])


def best_at(
    px: FloatArray, *, tilt_x: float = 8.0, tilt_y: float = -5.0, curvature: float = 0.0, centre: float = 2.0
) -> FloatArray:
    x, y = (px[:, 0] - 960) / SIZE[0], (px[:, 1] - 540) / SIZE[1]
    squared = ((px[:, 0] - 960) ** 2 + (px[:, 1] - 540) ** 2) / ((SIZE[0] ** 2 + SIZE[1] ** 2) / 4)
    return centre + tilt_x * x + tilt_y * y + curvature * squared


def joint(
    best: FloatArray, rng: np.random.Generator, *, jitter: float = 0.0, noise: float = 2e-4
) -> JointPeaks:
    """Stars of one sweep: the frames' position errors are the same for all."""
    recorded = np.arange(-80.0, 81.0, 10.0)
    true = recorded + jitter * rng.standard_normal(recorded.size)
    fits = []
    for b in best:
        clean = 0.8 * otf_defocus(
            fnumber=2.8, frequency_cy_mm=FREQUENCY[None, :], defocus_um=(true - b)[:, None]
        )
        noisy = clean + noise * rng.standard_normal(clean.shape)
        fits.append(fit_peak(RingData(recorded, FREQUENCY, noisy, np.ones(clean.shape)), fnumber=2.8))
    return JointPeaks.of(fits)


def field(px: FloatArray, peaks: JointPeaks, **options: object) -> FieldFit:
    zero = np.zeros(len(px))
    return fit_field(
        px, peaks, share_um=options.pop("share_um", zero), size_px=SIZE, radius_px=zero, **options
    )


def test_tilt_and_curvature_of_five_stars_come_back() -> None:
    peaks = joint(best_at(FIVE, curvature=6.0), np.random.default_rng(1))
    fit = field(FIVE, peaks)
    assert fit.centre.value_um == pytest.approx(2.0, abs=0.02)
    assert fit.tilt_x.value_um == pytest.approx(8.0, abs=0.03)
    assert fit.tilt_y.value_um == pytest.approx(-5.0, abs=0.03)
    assert fit.curvature.value_um == pytest.approx(6.0, abs=0.05)
    # Within a star the field may be curved too: told in the centre's interval, and nowhere else.
    large = fit_field(FIVE, peaks, share_um=np.zeros(5), size_px=SIZE, radius_px=np.full(5, 200.0))
    assert large.centre.value_um == fit.centre.value_um
    assert large.centre.high_um - large.centre.value_um > 6.0 * (200.0 / np.hypot(960.5, 540.5)) ** 2
    assert large.tilt_x == fit.tilt_x


def test_the_charts_share_is_taken_out() -> None:
    peaks = joint(best_at(FIVE, tilt_x=8.0), np.random.default_rng(2))
    share = best_at(FIVE, tilt_x=8.0, tilt_y=0.0, centre=0.0)
    assert field(FIVE, peaks, share_um=share).tilt_x.value_um == pytest.approx(0.0, abs=0.03)


def test_position_errors_common_to_all_stars_do_not_reach_the_tilt() -> None:
    rng = np.random.default_rng(3)
    fits = [field(FIVE, joint(best_at(FIVE), rng, jitter=0.5)) for _ in range(12)]
    tilt = np.array([fit.tilt_x.value_um - 8.0 for fit in fits])
    centre = np.array([fit.centre.value_um - 2.0 for fit in fits])
    assert np.std(tilt) < 0.2 * np.std(centre)
    held = [fit.tilt_x.low_um < 8.0 < fit.tilt_x.high_um for fit in fits]
    assert np.mean(held) >= 0.8


def test_a_tilt_that_the_picture_shows_as_a_turn_is_half_taken_out_and_half_doubted() -> None:
    peaks = joint(best_at(FIVE), np.random.default_rng(8))
    plain, seen = field(FIVE, peaks), field(FIVE, peaks, seen_as_yaw=0.02)
    assert seen.tilt_x.value_um == pytest.approx(plain.tilt_x.value_um / 1.01, rel=1e-6)
    assert seen.tilt_x.low_um < plain.tilt_x.value_um / 1.02 < plain.tilt_x.value_um < seen.tilt_x.high_um
    assert seen.centre == plain.centre


def test_growth_by_the_exit_pupil_is_the_share_of_a_tilt_seen_as_a_turn() -> None:
    # Moved by 1 µm, a sensor 80 mm behind the exit pupil sees the picture grow by 1/80000.
    px = np.array([[0.0, 0.0], [500.0, 0.0], [0.0, -300.0]])
    share = seen_as_yaw(px, px / 80e3, magnification=0.02, focal_mm=50.0)
    assert share == pytest.approx(0.02 * 51.0 / 80.0, rel=1e-9)


def test_one_star_gives_its_own_peak_and_no_tilt() -> None:
    peaks = joint(np.array([2.0]), np.random.default_rng(4))
    fit = field(FIVE[:1], peaks)
    assert fit.centre.value_um == pytest.approx(2.0, abs=0.02)
    assert fit.tilt_x is None
    assert fit.curvature is None


def test_stars_on_one_line_cannot_tell_the_tilt() -> None:
    line = np.array([[160.0, 540.0], [960.0, 540.0], [1760.0, 540.0]])
    fit = field(line, joint(best_at(line), np.random.default_rng(5)))
    assert fit.tilt_x is None
    assert fit.centre.value_um == pytest.approx(2.0, abs=0.02)


def test_what_the_charts_turn_leaves_open_widens_the_tilt() -> None:
    peaks = joint(best_at(FIVE), np.random.default_rng(6))
    wide = field(FIVE, peaks, extra_variance=(4.0, 0.0))
    assert wide.tilt_x.sd_um == pytest.approx(2.0, rel=0.01)
    assert wide.tilt_y.sd_um < 0.1


def test_position_errors_leave_no_second_order_bias_in_the_tilt() -> None:
    # The sweep reaches farther to one side of the peaks, so that curvature by position does not cancel.
    rng = np.random.default_rng(7)
    fits = [field(FIVE, joint(best_at(FIVE, centre=12.0), rng, jitter=0.7, noise=5e-4)) for _ in range(24)]
    tilt_x = np.array([fit.tilt_x.value_um - 8.0 for fit in fits])
    tilt_y = np.array([fit.tilt_y.value_um + 5.0 for fit in fits])
    assert abs(np.mean(tilt_x)) < 6.5e-3
    assert abs(np.mean(tilt_y)) < 6.5e-3
    held = [fit.tilt_x.low_um < 8.0 < fit.tilt_x.high_um for fit in fits]
    assert np.mean(held) >= 0.88
