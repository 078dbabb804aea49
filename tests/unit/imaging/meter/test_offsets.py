"""Two views of one motion: how far apart they are."""

import numpy as np
import pytest

from shimwise.imaging.meter.offsets import Places, offset_between

T_S = 0.04 * np.arange(200)
MOTION_UM = 35.0 * np.sin(2.0 * np.pi * T_S / 4.0)


def places(z_um: np.ndarray, *, noise: float = 0.2, seed: int = 1) -> Places:
    random = np.random.default_rng(seed)
    return Places(T_S, z_um + random.normal(0.0, noise, z_um.size), np.full(z_um.size, noise**2))


@pytest.mark.parametrize("apart", [0.0, 4.0, 27.0, -27.0])
def test_the_difference_is_found_within_its_interval(apart: float) -> None:
    found = offset_between(places(MOTION_UM), places(MOTION_UM + apart, seed=2), 2.0)
    assert found is not None
    assert abs(found.um - apart) < found.half_um
    assert found.half_um < 0.3 + 0.08 * abs(apart)


def test_a_scale_of_its_own_does_not_move_it() -> None:
    found = offset_between(places(MOTION_UM), places(1.05 * (MOTION_UM + 6.0), seed=2), 2.0)
    assert found is not None
    assert found.um == pytest.approx(6.0, abs=0.3)


def test_a_view_that_counts_its_sides_the_other_way_is_turned() -> None:
    found = offset_between(places(MOTION_UM), places(-(MOTION_UM + 5.0), seed=2), 2.0)
    assert found is not None
    assert found.um == pytest.approx(5.0, abs=0.3)


def test_too_few_frames_in_common_show_nothing() -> None:
    other = places(MOTION_UM)
    late = Places(other.t_s + 100.0, other.z_um, other.variance)
    assert offset_between(places(MOTION_UM), late, 2.0) is None
