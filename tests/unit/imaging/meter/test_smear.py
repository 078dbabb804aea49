"""The exposure's time by the smear of a picture that shakes."""

import math

import numpy as np
import pytest

from shimwise.imaging.meter.smear import SmearWatch

NU = np.linspace(0.1, 0.4, 20)
ANGLES = np.radians([0.0, 45.0, 90.0, 135.0])


def watched(exposure_s: float, *, seed: int = 3) -> tuple[SmearWatch, np.ndarray]:
    """A hundred frames of a picture on an ellipse of 2 px at 1.3 Hz; exact sinc, mean of each quarter."""
    random, watch, speeds = np.random.default_rng(seed), SmearWatch(NU), []
    beat = 2.0 * math.pi * 1.3
    for k in range(100):
        t = 0.04 * k
        centre = (2.0 * math.sin(beat * t), 0.8 * math.cos(beat * t))
        way = exposure_s * beat * np.array([2.0 * math.cos(beat * t), -0.8 * math.sin(beat * t)])
        spoke = ANGLES[:, None] + np.radians(np.linspace(-22.5, 22.5, 9))
        across = -np.sin(spoke) * way[0] + np.cos(spoke) * way[1]
        quarters = np.sinc(np.multiply.outer(across, NU)).mean(axis=1)
        quarters = quarters + random.normal(0.0, 2e-3, quarters.shape)
        speeds.append(watch.add(t, centre, quarters.mean(axis=0), quarters))
    return watch, np.array(speeds)


def test_the_exposure_is_seen_by_its_smear() -> None:
    watch, speeds = watched(1 / 50)
    assert math.sqrt(watch.exposure_s2) == pytest.approx(1 / 50, rel=0.05)
    fastest = float(speeds.max())
    exact = float(np.mean(np.sinc(0.4 * math.sqrt(fastest) / 50 * np.cos(np.linspace(0, math.pi, 200)))))
    assert watch.kept(np.array([fastest]))[0, -1] == pytest.approx(exact, abs=2e-3)


def test_a_short_exposure_takes_nothing() -> None:
    watch, speeds = watched(0.0)
    assert watch.exposure_s2 == 0.0
    assert np.all(watch.kept(speeds) == 1.0)


def test_a_jump_is_no_speed() -> None:
    watch = SmearWatch(NU)
    flat = np.ones((4, 20))
    for t, x in ((0.0, 0.0), (0.04, 0.0), (0.08, 5.0)):
        assert watch.add(t, (x, 0.0), flat[0], flat) == 0.0
