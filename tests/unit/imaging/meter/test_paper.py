"""What noise on paper shows of a feed."""

import numpy as np
import pytest

from shimwise.imaging.meter.paper import PaperWatch
from shimwise.imaging.meter.star_frame import StarPlace

PLACE = StarPlace((80.0, 80.0), 66.0)


def watched(frames: np.ndarray) -> PaperWatch:
    watch = PaperWatch()
    for frame in frames:
        watch.add(np.rint(frame).astype(np.uint8), PLACE, unit=1.0)
    return watch


@pytest.fixture(scope="module")
def noise() -> np.ndarray:
    return np.random.default_rng(7).normal(180.0, 1.5, (30, 160, 160))


def test_frames_with_noise_of_their_own_are_independent(noise: np.ndarray) -> None:
    watch = watched(noise)
    assert watch.time_correlation == pytest.approx(-0.5, abs=0.02)
    assert not watch.are_dependent
    assert not watch.is_smoothed


def test_a_running_mean_is_recognised(noise: np.ndarray) -> None:
    mean = noise.copy()
    for k in range(1, len(mean)):
        mean[k] = 0.6 * mean[k - 1] + 0.4 * noise[k]
    assert watched(mean).are_dependent


def test_copied_blocks_are_recognised(noise: np.ndarray) -> None:
    kept = noise.copy()
    kept[1:, :, 8:] = noise[0, :, 8:]
    assert watched(kept).are_dependent


def test_a_quiet_cameras_frames_are_independent_and_its_running_mean_is_not() -> None:
    # Noise of .15 codes, as of a picture scaled down from 8K: nine pixels of ten do not change.
    light = 180.0 + np.linspace(0.0, 1.0, 160)
    quiet = light + np.random.default_rng(8).normal(0.0, 0.15, (60, 160, 160))
    watch = watched(quiet)
    assert watch.time_correlation == pytest.approx(-0.5, abs=0.02)
    assert not watch.are_dependent
    mean = quiet.copy()
    for k in range(1, len(mean)):
        mean[k] = 0.6 * mean[k - 1] + 0.4 * quiet[k]
    assert watched(mean).are_dependent


def test_blocks_that_change_by_a_code_together_are_coding_and_no_quiet_camera() -> None:
    random = np.random.default_rng(9)
    blocks = random.random((30, 20, 20)) < 0.03
    coded = 180.0 + np.cumsum(np.kron(blocks, np.ones((8, 8))), axis=0) % 2
    assert watched(coded).are_dependent


def test_smoothing_over_neighbours_is_recognised(noise: np.ndarray) -> None:
    smooth = 180.0 + 1.7 * (noise + np.roll(noise, 1, axis=2) - 360.0) / 2.0
    watch = watched(smooth)
    assert watch.is_smoothed
    assert not watch.are_dependent


def test_few_frames_show_nothing(noise: np.ndarray) -> None:
    watch = watched(noise[:10])
    assert not watch.is_known
    assert not watch.are_dependent
