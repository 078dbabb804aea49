"""Any texture: the energy follows detail and not the lamp, and its peak is found."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.focus.texture import fit_relative_peak, gradient_energy, most_textured_region
from shimwise.optics.blur import otf_defocus

FloatArray = NDArray[np.float64]


def texture(seed: int = 1, size: int = 200) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    return cv2.GaussianBlur(0.5 + 0.5 * rng.standard_normal((size, size)), (0, 0), 1.0).astype(np.float32)


def sweep(
    best: float, *, frames: int = 15, step: float = 10.0, seed: int = 1, noise: float = 0.004
) -> tuple[FloatArray, FloatArray]:
    rng, target = np.random.default_rng(seed), texture()
    z = step * (np.arange(frames) - frames // 2) + rng.uniform(-4, 4)
    out = []
    for position in z:
        blur = np.hypot(0.6, 0.035 * (position - best))
        frame = cv2.GaussianBlur(target, (0, 0), float(blur))
        out.append(gradient_energy(frame + noise * rng.standard_normal(frame.shape)))
    return z, np.array(out)


def test_energy_is_the_same_under_any_lamp_and_less_when_blurred() -> None:
    frame = texture()
    assert gradient_energy(0.3 * frame) == pytest.approx(gradient_energy(frame), rel=1e-5)
    assert gradient_energy(cv2.GaussianBlur(frame, (0, 0), 1.5)) < 0.5 * gradient_energy(frame)


@pytest.mark.slow
def test_peak_of_a_textured_sweep_is_found_within_its_interval() -> None:
    errors, held = [], []
    for seed in range(20):
        z, energy = sweep(4.0, seed=seed)
        peak = fit_relative_peak(z, energy)
        errors.append(peak.best_um - 4.0)
        held.append(peak.low_um < 4.0 < peak.high_um)
    assert np.sqrt(np.mean(np.square(errors))) < 0.15
    assert np.mean(held) >= 0.8
    assert peak.label == "relative"


@pytest.mark.parametrize(("step", "frames"), [(8.0, 21), (20.0, 11)])
def test_a_curve_that_is_no_gaussian_is_not_taken_for_noise(step: float, frames: int) -> None:
    """The energy of one frequency through focus is a circle pupil's transfer squared (optics.otf_defocus)."""
    rng, errors, halves = np.random.default_rng(5), [], []
    for _ in range(40):
        z = step * (np.arange(frames) - frames // 2) + rng.uniform(-0.5, 0.5) * step
        transfer = otf_defocus(fnumber=2.8, frequency_cy_mm=40.0, defocus_um=z - 4.0)
        energy = 0.02 + 0.3 * transfer**2 + 3e-4 * rng.standard_normal(frames)
        peak = fit_relative_peak(z, energy)
        errors.append(peak.best_um - 4.0)
        halves.append((peak.high_um - peak.low_um) / 2)
    rms = np.sqrt(np.mean(np.square(errors)))
    assert np.mean(np.abs(errors) < halves) >= 0.85
    assert rms < 0.05
    assert np.median(halves) < (2.8 if frames == 21 else 6.0) * rms


def test_the_textured_part_of_a_frame_is_chosen() -> None:
    frame = np.full((200, 300), 0.5, np.float32)
    frame[100:164, 180:244] = texture(size=64)
    left, top, right, bottom = most_textured_region(frame, side_px=64)
    assert 150 < (left + right) / 2 < 275
    assert 70 < (top + bottom) / 2 < 195


def test_ends_and_few_frames_and_black_are_refused() -> None:
    z, energy = sweep(4.0)
    with pytest.raises(ImagingError, match="end of the sweep"):
        fit_relative_peak(z[:9], energy[:9] if np.argmax(energy[:9]) > 6 else np.arange(9.0))
    with pytest.raises(ImagingError, match="6 frames are too few"):
        fit_relative_peak(z[:6], energy[:6])
    with pytest.raises(ImagingError, match="it is black"):
        gradient_energy(np.zeros((20, 20)))
