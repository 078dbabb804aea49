"""Crossings in squares of defocus of invented motions."""

import numpy as np
import pytest

from shimwise.imaging.meter.crossings import find_crossings, last_doubt_s, sides_of

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


@pytest.mark.parametrize(
    ("noise_um2", "is_told"), [(0.1, True), (9.2, False)], ids=["a plain feed", "a noisy one"]
)
def test_a_slow_passage_is_counted_right_or_doubted(noise_um2: float, is_told: bool) -> None:
    t_s = np.arange(0.0, 26.0, 0.04)
    wrong = doubted = 0
    for seed in range(30):
        chance = np.random.default_rng(seed)
        slow_s = 15.0 + chance.uniform(1.0, 6.0)
        z_um = np.interp(t_s, [3.0, 13.0, 15.0, slow_s], [-55.0, 28.0, 28.0, -12.4])
        square = z_um**2 + chance.normal(0.0, noise_um2, t_s.size) + 0.6 * z_um * chance.normal(size=t_s.size)
        found = find_crossings(t_s, square, 2.0, noise=noise_um2)
        is_doubted = last_doubt_s(t_s, square, 2.0, found, noise=noise_um2) > 0.0
        is_wrong = len(found) % 2 != 0
        assert is_doubted or not is_wrong, seed
        wrong, doubted = wrong + is_wrong, doubted + is_doubted
    assert (doubted == 0) is is_told
    assert is_told or wrong > 0  # else nothing was to be doubted


def test_a_passage_too_fast_for_the_rate_of_frames_is_counted_or_doubted() -> None:
    t_s = np.arange(0.0, 8.0, 0.08)
    missed = 0
    for seed in range(60):
        at = t_s + np.random.default_rng(seed).uniform(0.0, 0.08)
        there, back = (
            0.5 - 0.5 * np.cos(np.pi * np.clip(one, 0.0, 1.0)) for one in (at - 3.0, (at - 4.0) / 0.4)
        )
        z_um = -38.0 + 68.0 * there - 42.0 * back
        found = find_crossings(t_s, z_um**2, 2.0, noise=0.3)
        is_doubted = last_doubt_s(t_s, z_um**2, 2.0, found, noise=0.3) > 0.0
        assert is_doubted or len(found) == 2, seed
        missed += len(found) != 2
    assert missed > 10  # else nothing was to be doubted


@pytest.mark.parametrize("lost", [0.2, 0.4])
def test_where_frames_are_lost_in_a_fast_turn_it_is_counted_or_doubted(lost: float) -> None:
    t_s = np.arange(0.0, 5.0, 0.04)
    wrong = 0
    for seed in range(60):
        chance = np.random.default_rng([seed, 8])
        stops_s = 1.0 + np.cumsum([0.0, *chance.uniform(0.7, 1.1, 3)])
        z_um = np.full(t_s.size, -54.0)
        for begin_s, end_s, way_um in zip(stops_s[:-1], stops_s[1:], (94.0, -72.0, 55.0), strict=True):
            x = np.clip((t_s - begin_s) / (end_s - begin_s), 0.0, 1.0)
            z_um += way_um * x**3 * (10.0 - 15.0 * x + 6.0 * x * x)
        kept = chance.uniform(size=t_s.size) > lost
        t, square = t_s[kept], z_um[kept] ** 2
        found = find_crossings(t, square, 2.0, noise=0.3)
        is_wrong = len(found) % 2 != 1
        assert not is_wrong or last_doubt_s(t, square, 2.0, found, noise=0.3) > 0.0, seed
        wrong += is_wrong
    assert wrong > 3  # else nothing was to be doubted


def test_a_hand_that_passes_twice_in_a_third_of_a_second_has_passed_twice() -> None:
    z_um = np.interp(T, [1.0, 1.4, 1.7, 6.0], [-50.0, 38.0, -34.0, -34.0])
    assert len(find_crossings(T, z_um**2, 2.0, noise=0.3)) == 2
