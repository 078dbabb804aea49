"""What a ring shows of the transfer, against closed forms of blurred stars."""

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ive

from shimwise.imaging.chart.layout import Star
from shimwise.imaging.star.response import ring_response
from shimwise.imaging.star.rings import RingPlan, plan_rings

FloatArray = NDArray[np.float64]


def planned(spokes: int, radius_px: float) -> RingPlan:
    star = Star(id="S0", centre_mm=(0.0, 0.0), radius_mm=radius_px, spokes=spokes)
    return plan_rings(star, px_per_mm=1.0, pitch_um=1000.0, blur_px=7.0)


@pytest.mark.parametrize(("spokes", "radius_px"), [(28, 60), (72, 160), (144, 320)])
def test_no_blur_leaves_the_star_as_it_is(spokes: int, radius_px: float) -> None:
    response = ring_response(planned(spokes, radius_px), blur_um=5000.0)
    np.testing.assert_allclose(np.ones(response.nodes_cy_mm.size) @ response.mix, 1.0, atol=1e-9)


def blurred_star(spokes: int, radius: FloatArray, sd: float) -> FloatArray:
    """Amplitude of exp(inθ) at a radius after a round Gauss (Gradshteyn and Ryzhik 6.618, from memory)."""
    x = radius**2 / (4 * sd**2)
    return np.sqrt(np.pi * x / 2) * (ive((spokes - 1) / 2, x) + ive((spokes + 1) / 2, x))


@pytest.mark.parametrize(("spokes", "radius_px"), [(28, 60), (72, 160)])
def test_a_round_gauss_gives_the_closed_form_where_the_local_grating_does_not(
    spokes: int, radius_px: float
) -> None:
    plan, sd_px = planned(spokes, radius_px), 1.5
    response = ring_response(plan, blur_um=4000.0)

    def gauss(frequency: FloatArray) -> FloatArray:
        return np.exp(-2 * (np.pi * sd_px * frequency) ** 2)

    edges = spokes / (2 * np.pi * plan.edges_cy_mm)
    expected = []
    for outer, inner in pairwise(edges):
        radii = np.linspace(inner, outer, 201)
        expected.append(np.average(blurred_star(spokes, radii, sd_px), weights=radii))
    got = gauss(response.nodes_cy_mm) @ response.mix
    np.testing.assert_allclose(got, expected, atol=4e-4)
    local = gauss(plan.frequency_cy_mm)
    assert np.max(np.abs(got - expected)) < 0.2 * np.max(np.abs(local - expected))
