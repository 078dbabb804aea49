"""How far a landing may lie without a question: a foot misread is beyond it, a worn set is not."""

import pytest

from shimwise.inference.verdict.plausible_landing import farthest_landing_um


def landing_um(focal_mm: float, distance_mm: float, reading_mm: float) -> float:
    """The thin lens twice: extension of the one distance less that of the other. [µm]"""
    near, far = (focal_mm**2 / (one - focal_mm) for one in (distance_mm, reading_mm))
    return 1e3 * (near - far)


@pytest.mark.parametrize("focal_mm", [25, 35, 50, 85, 100])
@pytest.mark.parametrize(("taped_ft", "read_ft"), [(3, 2), (3, 30), (3, 60)])
def test_a_foot_misread_on_a_near_chart_is_beyond(focal_mm: float, taped_ft: float, read_ft: float) -> None:
    off_um = abs(landing_um(focal_mm, 304.8 * taped_ft, 304.8 * read_ft))
    m = focal_mm / (304.8 * taped_ft - 2 * focal_mm)  # near enough
    assert off_um > farthest_landing_um(focal_mm=focal_mm, m=m)


def test_bodies_and_lenses_that_are_far_off_together_are_within() -> None:
    assert 60 + 50 + 25 < farthest_landing_um(focal_mm=25, m=0.0) < 3 * (60 + 50 + 25)


def test_more_may_be_off_where_a_tape_slips_near_a_long_lens() -> None:
    far, near = (farthest_landing_um(focal_mm=100, m=m) for m in (0.01, 0.13))
    assert near > 2 * far
