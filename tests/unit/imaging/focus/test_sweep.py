"""Whole sweeps of invented frames with known truth: the numbers, the intervals and every flag."""

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

ROOT = Path(__file__).parents[4]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from benchmarks.imaging.simulator import Simulator, Sweep, SweepSpec  # noqa: E402

from shimwise.errors import ImagingError  # noqa: E402
from shimwise.imaging.chart.capture import start_from_star  # noqa: E402
from shimwise.imaging.chart.layout import layout_from_json, layout_of_star  # noqa: E402
from shimwise.imaging.focus.flags import Flag  # noqa: E402
from shimwise.imaging.focus.result import SweepResult, SweepSettings  # noqa: E402
from shimwise.imaging.focus.sweep import measure_sweep  # noqa: E402

pytestmark = pytest.mark.slow  # forms pictures

FloatArray = NDArray[np.float64]

ONE = SweepSpec(width=240, height=240, star_px=210, spokes=48, range_um=60.0, best_um=4.0, phase=False)
FIVE = SweepSpec(
    fnumber=4.0,  # half the planes of f/2.8 to render
    width=720,
    height=440,
    stars=5,
    star_px=170,
    small_star_px=110,
    spokes=48,
    small_spokes=24,
    markers=True,
    range_um=60.0,
    best_um=4.0,
    tilt_x_um=6.0,
    tilt_y_um=-4.0,
    exit_pupil_mm=80.0,
    yaw_deg=1.5,
    phase=False,
)


@cache
def simulator(spec: SweepSpec) -> Simulator:
    return Simulator(spec)


@cache
def sweep(spec: SweepSpec, seed: int = 1) -> Sweep:
    return simulator(spec).sweep(seed)


def start(one: Sweep) -> FloatArray:
    """A map as a person would point at it: half a pixel off."""
    to_px = np.array(one.truth["homography_mm_to_px"])
    to_px = to_px / to_px[2, 2]
    to_px[:2, 2] += 0.4, -0.3
    return to_px


def measure(
    one: Sweep,
    *,
    frames: Sequence[NDArray[np.float32]] | None = None,
    positions: FloatArray | None = None,
    **options: float,
) -> SweepResult:
    meta = one.meta
    settings = SweepSettings(
        pitch_um=meta["pitch_um"],
        fnumber=meta["fnumber"],
        focal_mm=meta["focal_mm"],
        wavelengths_um=tuple(meta["wavelength_um"]),
        **options,
    )
    frames = one.frames if frames is None else frames
    positions = one.positions_um if positions is None else positions
    layout = layout_from_json(one.chart)
    return measure_sweep(
        zip(positions, frames, strict=True), layout, settings, start=None if layout.markers else start(one)
    )


@cache
def measured(spec: SweepSpec) -> SweepResult:
    """Measure a sweep as it is, once for all tests of it."""
    return measure(sweep(spec))


def shorts(result: SweepResult) -> set[Flag]:
    return {flag.flag for flag in result.flags}


def test_the_peak_of_one_star_is_found_to_hundredths_of_a_micron() -> None:
    errors, held = [], []
    for seed in range(6):
        result = measure(simulator(ONE).sweep(seed))
        errors.append(result.best_um - 4.0)
        held.append(result.low_um < 4.0 < result.high_um)
        assert result.flags == ()
    assert np.sqrt(np.mean(np.square(errors))) < 0.02
    assert np.mean(held) >= 0.8


def test_tilt_pose_and_magnification_of_five_stars_come_back() -> None:
    result = measured(FIVE)
    assert result.best_um == pytest.approx(4.0, abs=0.04)
    assert result.field.tilt_x.value_um == pytest.approx(6.0, abs=0.15)
    assert result.field.tilt_y.value_um == pytest.approx(-4.0, abs=0.15)
    assert result.pose.yaw_deg == pytest.approx(1.5, abs=0.01)
    assert result.magnification == pytest.approx(0.02, rel=1e-5)
    assert Flag.CHART_TURNED in shorts(result)
    for star, truth in zip(result.stars, sweep(FIVE).truth["stars"], strict=True):
        assert star.x_px == pytest.approx(truth["px"][0], abs=0.01)
        assert star.best_um == pytest.approx(truth["best_um"], abs=0.15)
        assert star.chart_share_um == pytest.approx(truth["chart_part_um"], abs=0.02)


def test_the_result_has_the_shape_of_the_schema_and_is_plain_json() -> None:
    data = json.loads(json.dumps(measured(FIVE).to_json(), allow_nan=False))
    assert data["schema"] == "shimwise.sweep/2"
    assert data["landing_um"] == -data["best_um"]
    assert set(data) == {
        "schema", "best_um", "sd_um", "low_um", "high_um", "band_cy_mm", "w040_waves", "stars", "tilt",
        "magnification", "landing_um", "channel", "alternatives", "flags", "notices",
    }  # fmt: skip
    assert [one["text"] for one in data["notices"]] == data["flags"]
    assert {one["code"] for one in data["notices"]} >= {"chart_turned"}
    assert set(data["tilt"]) == {"x_um", "x_sd_um", "y_um", "y_sd_um", "chart_yaw_deg", "chart_pitch_deg"}
    assert set(data["stars"][0]) == {
        "id", "x_px", "y_px", "best_um", "sd_um", "sagittal_um", "tangential_um",
    }  # fmt: skip


def test_spherical_aberration_is_told_with_the_bands_peak() -> None:
    one = sweep(replace(ONE, fnumber=4.0, best_um=0.0, w040_waves=0.4))
    result = measure(one)
    assert result.best_um == pytest.approx(one.truth["best_um"], abs=0.1)
    assert result.w040_waves == pytest.approx(0.4, abs=0.02)
    assert Flag.BANDS_DISAGREE in shorts(result)


def test_a_mosaic_of_green_sites_gives_the_same_peak() -> None:
    one = sweep(ONE)
    rows, columns = np.indices(one.frames[0].shape)
    green = [np.where((rows + columns) % 2 == 0, np.nan, frame) for frame in one.frames]
    assert measure(one, frames=green).best_um == pytest.approx(4.0, abs=0.05)


def test_a_lamp_that_flickers_leaves_the_peak() -> None:
    one = sweep(ONE)
    gains = 1 + 0.1 * np.random.default_rng(1).standard_normal(len(one.frames))
    flickered = [gain * frame for gain, frame in zip(gains, one.frames, strict=True)]
    assert measure(one, frames=flickered).best_um == pytest.approx(measured(ONE).best_um, abs=0.02)


def test_a_peak_at_the_end_is_withheld_with_its_reason() -> None:
    one = sweep(ONE)
    result = measure(one, frames=one.frames[:7], positions=one.positions_um[:7])
    assert result.best_um is None
    assert result.landing_um is None
    assert Flag.PEAK_AT_END in shorts(result)


def test_too_few_frames_over_the_peak_withhold_it() -> None:
    one = sweep(ONE)
    result = measure(one, frames=one.frames[::2][:6], positions=one.positions_um[::2][:6])
    assert Flag.TOO_FEW_FRAMES in shorts(result)
    assert result.best_um is None


def test_positions_that_turn_back_withhold_the_peak() -> None:
    one = sweep(ONE)
    positions = one.positions_um.copy()
    positions[[5, 6]] = positions[[6, 5]]
    result = measure(one, positions=positions)
    assert Flag.NOT_MONOTONE in shorts(result)
    assert result.best_um is None


def test_white_that_clips_withholds_the_peak() -> None:
    one = sweep(ONE)
    result = measure(one, frames=[np.minimum(1.8 * f, 1.0) for f in one.frames])
    assert Flag.SATURATED in shorts(result)
    assert result.best_um is None


def test_black_that_clips_is_told() -> None:
    one = sweep(ONE)
    result = measure(one, frames=[np.maximum(f - 0.1, 0.0) for f in one.frames], black_level=0.0)
    assert Flag.BLACK_CLIPPED in shorts(result)


def test_a_copy_of_a_frame_is_left_out_and_told() -> None:
    one = sweep(ONE)
    frames = [*one.frames[:5], one.frames[4], *one.frames[6:]]
    result = measure(one, frames=frames)
    assert Flag.DUPLICATE_FRAMES in shorts(result)
    assert result.best_um == pytest.approx(4.0, abs=0.03)


def test_a_camera_that_was_knocked_is_told_and_followed() -> None:
    one = sweep(ONE)
    frames = [np.roll(f, 1, axis=1) if k == 6 else f for k, f in enumerate(one.frames)]
    result = measure(one, frames=frames)
    assert Flag.CAMERA_MOVED in shorts(result)
    assert result.best_um == pytest.approx(4.0, abs=0.05)


def test_a_star_with_other_spokes_than_the_layout_says_is_refused() -> None:
    one = sweep(ONE)
    chart = json.loads(json.dumps(one.chart))
    chart["stars"][0]["spokes"] = 47
    settings = SweepSettings(pitch_um=5.0, fnumber=2.8)
    with pytest.raises(ImagingError, match="agrees with 47 spokes"):
        measure_sweep(
            zip(one.positions_um, one.frames, strict=True),
            layout_from_json(chart),
            settings,
            start=start(one),
        )


def test_without_the_focal_length_the_charts_turn_is_told_as_unknown() -> None:
    one = sweep(FIVE)
    settings = SweepSettings(pitch_um=5.0, fnumber=4.0)
    result = measure_sweep(
        zip(one.positions_um, one.frames, strict=True), layout_from_json(one.chart), settings
    )
    assert Flag.TURN_UNKNOWN in shorts(result)
    assert result.pose is None


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"pitch_um": 0.0}, "pitch_um is 0.0"),
        ({"fnumber": float("nan")}, "fnumber is nan"),
        ({"focal_mm": -50.0}, "focal_mm is -50.0"),
        ({"band_cy_mm": (62.0, 20.0)}, "band 62.0 to 20.0"),
    ],
)
def test_impossible_settings_are_refused(wrong: dict[str, object], words: str) -> None:
    with pytest.raises(ImagingError, match=words):
        SweepSettings(**({"pitch_um": 5.0, "fnumber": 2.8} | wrong))


def test_lines_along_and_across_the_fields_radius_have_their_own_peaks() -> None:
    # A star right of the centre, blurred along x and along y with different best focus: spokes along the
    # radius (sagittal) run from left to right and are blurred by the part along y.
    height, width, spokes = 200, 640, 36
    y, x = np.indices((height, width)).astype(float)
    away = np.hypot(x - 520, y - 100)
    angle = np.arctan2(y - 100, x - 520)
    sharp = np.where(away < 90, 0.4 * (1 + 0.8 * np.cos(spokes * angle)), 0.7)
    positions = np.arange(-50.0, 51.0, 10.0)
    rng = np.random.default_rng(1)
    frames = []
    for z in positions:
        along_x, along_y = (float(np.hypot(0.8, 0.0179 * (z - best))) for best in (-4.0, 4.0))
        blurred = cv2.GaussianBlur(sharp, (0, 0), sigmaX=along_x, sigmaY=along_y)
        frames.append((blurred + rng.normal(0, 0.003, blurred.shape)).astype(np.float32))
    layout = layout_of_star(spokes=spokes, radius_mm=90.0)
    to_px = start_from_star(layout, centre_px=(520.3, 99.8), radius_px=90.0)
    settings = SweepSettings(pitch_um=5.0, fnumber=2.8)
    result = measure_sweep(zip(positions, frames, strict=True), layout, settings, start=to_px)
    (star,) = result.stars
    assert star.sagittal_um == pytest.approx(4.0, abs=0.8)
    assert star.tangential_um == pytest.approx(-4.0, abs=0.8)
    assert star.best_um == pytest.approx(0.0, abs=0.5)


def test_a_lens_that_distorts_is_flagged_and_what_that_can_do_to_the_tilt_is_in_its_interval() -> None:
    plain = replace(FIVE, exit_pupil_mm=None)  # a third of the time to render: at one size only
    straight, little, bent = (measure(sweep(replace(plain, barrel=b))) for b in (0.0, 0.03, 0.05))
    assert Flag.LENS_DISTORTS not in shorts(straight)
    assert Flag.LENS_DISTORTS in shorts(little)
    assert Flag.LENS_DISTORTS in shorts(bent)
    before, after = straight.field, bent.field
    for narrow, wide, truth in ((before.tilt_x, after.tilt_x, 6.0), (before.tilt_y, after.tilt_y, -4.0)):
        assert wide.sd_um > 1.1 * narrow.sd_um
        assert wide.low_um < truth < wide.high_um
