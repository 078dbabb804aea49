"""A star's cells give back what was drawn, on the pixels as they are."""

import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.imaging.chart.layout import Star
from shimwise.imaging.star.cells import Cells, StarSums, solve_cells, sum_star
from shimwise.imaging.star.rings import RingPlan, plan_rings

FloatArray = NDArray[np.float64]

STAR = Star(id="S0", centre_mm=(0.0, 0.0), radius_mm=40.0, spokes=72)
TO_PX = np.array([[4.0, 0.05, 170.3], [-0.05, 4.0, 168.8], [2e-5, -1e-5, 1.0]])


def drawn(*, modulation: float = 0.5, phase: float = 0.7, mean: float = 0.3, size: int = 340) -> FloatArray:
    """A star of even modulation seen through a homography, sampled at pixel centres."""
    y, x = np.mgrid[:size, :size].astype(float)
    sheet = np.einsum("ij,jkl->ikl", np.linalg.inv(TO_PX), np.stack([x, y, np.ones_like(x)]))
    angle = np.arctan2(sheet[1], sheet[0])
    return mean * (1 + modulation * np.cos(72 * angle - phase))


def measured(frame: FloatArray, **options: float) -> tuple[RingPlan, StarSums, Cells]:
    plan = plan_rings(STAR, px_per_mm=4.0, pitch_um=5.0)
    sums = sum_star(
        frame.astype(np.float32), left=0, top=0, to_star=np.linalg.inv(TO_PX), plan=plan, **options
    )
    return plan, sums, solve_cells(sums.sums[None])


def test_modulation_phase_and_mean_come_back_in_every_cell() -> None:
    _, _, cells = measured(drawn())
    assert cells.pixels.min() > 5
    np.testing.assert_allclose(np.abs(cells.modulation), 0.5, atol=2e-5)
    np.testing.assert_allclose(np.angle(cells.modulation), 0.7, atol=2e-4)
    np.testing.assert_allclose(cells.mean, 0.3, atol=1e-5)


def test_light_that_falls_across_the_star_leaves_the_modulation() -> None:
    frame = drawn() * np.linspace(0.9, 1.1, 340)
    _, _, cells = measured(frame)
    assert np.average(cells.modulation.real, weights=cells.pixels) == pytest.approx(
        0.5 * np.cos(0.7), abs=2e-3
    )


def test_rings_lie_between_the_limits_and_their_frequencies_are_those_of_the_radius() -> None:
    plan, _, cells = measured(drawn())
    cycles_per_px = plan.frequency_cy_mm * 5e-3
    assert cycles_per_px.min() > 0.075
    assert cycles_per_px.max() < 0.42
    around = 2 * np.pi * plan.radii_mm * 4.0
    np.testing.assert_allclose(72 / around, cycles_per_px, rtol=1e-12)
    assert cells.pixels.sum() == pytest.approx(
        np.pi * 16 * 72**2 / (2 * np.pi) ** 2 * (plan.edges_cy_mm[0] ** -2 - plan.edges_cy_mm[-1] ** -2),
        rel=0.01,
    )


def test_sites_missing_from_a_mosaic_are_passed_over() -> None:
    frame = drawn()
    rows, columns = np.indices(frame.shape)
    frame[(rows + columns) % 2 == 0] = np.nan
    _, odd, cells = measured(frame)
    other = drawn()
    other[(rows + columns) % 2 == 1] = np.nan
    _, even, _ = measured(other)
    _, whole, _ = measured(drawn())
    np.testing.assert_allclose(odd.sums + even.sums, whole.sums, rtol=1e-9, atol=1e-9)
    assert np.average(np.abs(cells.modulation), weights=cells.pixels) == pytest.approx(0.5, abs=1e-3)


def test_noise_is_told_as_a_share_of_the_mean() -> None:
    rng = np.random.default_rng(1)
    _, _, cells = measured(drawn() + rng.normal(0, 0.006, (340, 340)))
    assert cells.noise[0] == pytest.approx(0.02, rel=0.03)


def test_clipped_pixels_are_counted() -> None:
    frame = drawn()
    _, sums, _ = measured(frame, white=0.44, black=0.16)
    assert sums.saturated > 1000
    assert sums.black > 1000
    assert measured(frame, white=1.0, black=0.0)[1].saturated == 0


def test_a_cells_own_frequency_explains_its_modulation_wherever_the_picture_lies() -> None:
    # Modulation falls with frequency; a fraction of a pixel aside, other pixels lie in the star's rings.
    y, x = np.mgrid[:340, :340].astype(float)
    for shift in (0.0, 0.3, 0.7):
        to_px = TO_PX @ np.array([[1.0, 0.0, shift / 4.0], [0.0, 1.0, 0.1], [0.0, 0.0, 1.0]])
        sheet = np.einsum("ij,jkl->ikl", np.linalg.inv(to_px), np.stack([x, y, np.ones_like(x)]))
        sheet = sheet[:2] / sheet[2]
        angle = np.arctan2(sheet[1], sheet[0])
        per_mm = 72 / (2 * np.pi * np.hypot(*sheet))
        frame = 0.3 * (1 + (0.9 - 0.45 * per_mm) * np.cos(72 * angle))
        plan = plan_rings(STAR, px_per_mm=4.0, pitch_um=5.0)
        sums = sum_star(frame.astype(np.float32), left=0, top=0, to_star=np.linalg.inv(to_px), plan=plan)
        cells = solve_cells(sums.sums[None])
        ring_per_mm = 2 / (
            1 / plan.edges_cy_mm[:-1] + 1 / plan.edges_cy_mm[1:]
        )  # the mean over a ring's area
        named = 0.9 - 0.45 * ring_per_mm
        own = named[:, None] - 0.45 * ring_per_mm[:, None] * cells.detuning(np.zeros((1, 1, 1)))[0]
        off = cells.modulation[0].real - named[:, None]
        assert np.abs(off).max() > 5e-3
        np.testing.assert_allclose(cells.modulation[0].real, own, atol=3e-4)
