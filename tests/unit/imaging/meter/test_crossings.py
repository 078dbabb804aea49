"""Crossings in squares of defocus of invented motions."""

import numpy as np
import pytest

from shimwise.imaging.meter.crossings import find_crossings, sides_of

T = np.arange(0.0, 6.0, 0.04)


def test_a_steady_pass_is_one_crossing_with_its_vertex_at_nought() -> None:
    z = 20.0 * (T - 3.0)
    (one,) = find_crossings(T, z**2, 2.0, noise=0.3)
    assert one.time_s == pytest.approx(3.0, abs=0.01)
    assert one.vertex == pytest.approx(0.0, abs=0.01)
    assert np.array_equal(np.sign(z[z != 0]), sides_of(T.size, [one])[z != 0])


def test_an_offset_of_all_squares_is_the_vertex() -> None:
    z = 20.0 * (T - 3.0)
    (one,) = find_crossings(T, z**2 + 6.0, 2.0, noise=0.3)
    assert one.vertex == pytest.approx(6.0, abs=0.2)


def test_a_hand_that_turns_back_before_is_no_crossing() -> None:
    z = 5.0 + 6.0 * (T - 3.0) ** 2
    assert find_crossings(T, z**2, 2.0, noise=0.3) == []


def test_a_hand_that_rests_just_behind_has_crossed() -> None:
    z = np.maximum(-4.0, 30.0 - 12.0 * T)
    (one,) = find_crossings(T, z**2, 2.0, noise=0.3)
    assert one.time_s == pytest.approx(2.5, abs=0.06)
    assert not np.isfinite(one.sd)


def test_noise_at_the_sharpest_place_is_no_second_crossing() -> None:
    z = 20.0 * (T - 3.0)
    noise = np.random.default_rng(3).normal(0.0, 4.0, T.size)
    assert len(find_crossings(T, z**2 + noise, 2.0, noise=4.0)) == 1
