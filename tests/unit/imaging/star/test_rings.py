"""Rings are laid where a star's spokes suit the pixels."""

import numpy as np
import pytest

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import Star
from shimwise.imaging.star.rings import plan_rings

STAR = Star(id="S0", centre_mm=(0.0, 0.0), radius_mm=40.0, spokes=72)


def test_a_star_too_small_for_its_spokes_is_refused() -> None:
    with pytest.raises(ImagingError, match=r"Star S0: 72 spokes on a radius of 24 px"):
        plan_rings(STAR, px_per_mm=0.6, pitch_um=5.0)


def test_what_is_blurred_at_the_rim_is_left_out_up_to_15_percent_of_the_radius() -> None:
    def outermost_px(blur_px: float) -> float:
        plan = plan_rings(STAR, px_per_mm=1.9, pitch_um=5.0, blur_px=blur_px)
        return float(1.9 * 72 / (2 * np.pi * plan.edges_cy_mm[0]))

    assert outermost_px(6.0) == pytest.approx(76.0 - 6.0)
    assert outermost_px(9.0) == pytest.approx(76.0 - 9.0)
    assert outermost_px(60.0) == pytest.approx(0.85 * 76.0)
