"""The lock finds a star's centre, and never one spoke away."""

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.imaging.chart.layout import Star
from shimwise.imaging.star.cells import Cells, solve_cells, sum_star
from shimwise.imaging.star.rings import RingPlan, plan_rings
from shimwise.imaging.star.star_phase import Lock, find_centre, fit_lock

FloatArray = NDArray[np.float64]

STAR = Star(id="S0", centre_mm=(0.0, 0.0), radius_mm=100.0, spokes=48)


def cells_of(
    centres: Sequence[Sequence[float]] | FloatArray, *, noise: float = 0.004, reversed_from: int | None = None
) -> tuple[RingPlan, Cells]:
    rng = np.random.default_rng(5)
    plan = plan_rings(STAR, px_per_mm=1.0, pitch_um=5.0)
    y, x = np.mgrid[:230, :230] - 115.0
    sums = []
    for k, (cx, cy) in enumerate(centres):
        size = -0.1 if reversed_from is not None and k >= reversed_from else 0.4
        frame = 0.3 * (1 + size * np.cos(48 * np.arctan2(y - cy, x - cx) - 1.1))
        frame = (frame + rng.normal(0, noise, frame.shape)).astype(np.float32)
        to_star = np.array([[1.0, 0, -115.0], [0, 1.0, -115.0], [0, 0, 1.0]])
        sums.append(sum_star(frame, left=0, top=0, to_star=to_star, plan=plan).sums)
    return plan, solve_cells(np.array(sums))


def empty_lock(frames: int, phase: float = 0.0) -> Lock:
    zero = np.zeros(2)
    return Lock(phase, zero, zero, zero, np.zeros((frames, 2)), 0.0, 0.0)


@pytest.mark.parametrize("offset", [(0.0, 0.0), (0.9, -0.4), (-3.2, 2.1), (5.0, 4.0)])
def test_a_centre_up_to_a_spoke_off_is_found(offset: tuple[float, float]) -> None:
    # A spoke is 2.4 px wide at the innermost ring and 12.5 px at the rim.
    plan, cells = cells_of([offset])
    centre, agreed = find_centre(cells, 0, plan)
    np.testing.assert_allclose(centre, offset, atol=0.1)
    assert agreed > 0.7


def test_centre_and_drift_come_back_to_a_thousandth_of_a_pixel() -> None:
    u = np.linspace(-1, 1, 9)
    centres = np.column_stack([0.11 + 0.3 * u, -0.07 - 0.2 * u])
    plan, cells = cells_of(centres, reversed_from=7)
    lock = fit_lock(cells, u, plan, empty_lock(9, 1.1), drift=True, all_frames=False)
    lock = fit_lock(cells, u, plan, lock, drift=True, all_frames=True)
    np.testing.assert_allclose(lock.offset_mm, [0.11, -0.07], atol=2e-3)
    np.testing.assert_allclose(lock.drift_mm, [0.3, -0.2], atol=3e-3)
    assert lock.sd_mm < 1e-3


def test_where_no_ring_agrees_nothing_is_fitted_and_no_coherence_is_claimed() -> None:
    plan, cells = cells_of([(0.0, 0.0)] * 3, noise=0.0)
    opposite = empty_lock(3, 1.1 + np.pi)
    lock = fit_lock(cells, np.linspace(-1, 1, 3), plan, opposite, drift=False, all_frames=False)
    assert (lock.coherence, lock.sd_mm) == (0.0, np.inf)
