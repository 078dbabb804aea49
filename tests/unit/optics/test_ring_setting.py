"""What setting the ring adds, by hand."""

import math

import pytest

from shimwise.optics.ring_setting import ring_setting_sd_um


@pytest.mark.parametrize("focal_mm", [25.0, 50.0, 100.0])
def test_at_3_ft_it_is_the_extensions_difference_of_two_near_distances(focal_mm: float) -> None:
    # Independent route: Newton's form, extension e with (f + e) + f + f²/e = X; twice, .6 mm apart.
    def extension_mm(distance_mm: float) -> float:
        gap = distance_mm - 2.0 * focal_mm
        return (gap - math.sqrt(gap**2 - 4.0 * focal_mm**2)) / 2.0

    moved_um = 1e3 * (extension_mm(914.1) - extension_mm(914.7))
    # Witness mark to chart, not lens to chart: 1 − m² of it, .4 % at 50 mm.
    assert ring_setting_sd_um(focal_mm=focal_mm, distance_mm=914.4) == pytest.approx(moved_um, rel=0.03)


def test_it_grows_little_with_distance_as_marks_crowd() -> None:
    near, far = (ring_setting_sd_um(focal_mm=50.0, distance_mm=d) for d in (914.4, 9144.0))
    assert near == pytest.approx(2.3, abs=0.1)
    assert 0.7 < far / near < 1.3
    assert ring_setting_sd_um(focal_mm=50.0, distance_mm=914.4, setting_sd_mm=0.2) == pytest.approx(near / 3)
