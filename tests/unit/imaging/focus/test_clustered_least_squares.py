"""Frame clusters: ordinary least squares where nothing is common, honest variance where something is."""

import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.imaging.focus.clustered_least_squares import FrameGls, clustered_sd, t_quantile

FloatArray = NDArray[np.float64]


def problem(
    rng: np.random.Generator, *, frames: int = 15, rings: int = 6, common_sd: float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    x = rng.normal(size=(frames, rings, 2))
    g = x[..., 0]
    y = x @ np.array([1.5, -0.5]) + rng.normal(size=(frames, rings))
    return x, g, y + common_sd * g * rng.normal(size=(frames, 1))


def test_without_a_common_error_the_step_is_numpys_least_squares() -> None:
    x, g, y = problem(np.random.default_rng(1))
    gls = FrameGls.estimate(y, x, common=np.zeros_like(g))
    expected = np.linalg.lstsq(x.reshape(-1, 2), y.ravel(), rcond=None)[0]
    np.testing.assert_allclose(gls.step, expected, rtol=1e-9)
    assert gls.common_sd == 0.0


def test_sizes_of_common_error_and_noise_come_back() -> None:
    rng = np.random.default_rng(2)
    found = [
        FrameGls.estimate(y, x, common=g) for x, g, y in (problem(rng, common_sd=2.0) for _ in range(60))
    ]
    assert np.mean([f.common_sd for f in found]) == pytest.approx(2.0, rel=0.1)
    assert np.mean([f.noise_sd for f in found]) == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize("common_sd", [0.0, 2.0])
def test_clustered_variance_is_the_variance_that_repeats_show(common_sd: float) -> None:
    rng = np.random.default_rng(3)
    values, claims, cover = [], [], []
    for _ in range(300):
        x, g, y = problem(rng, common_sd=common_sd)
        gls = FrameGls.estimate(y, x, common=g)
        influence, freedom = gls.influence(np.array([1.0, 0.0]))
        sd = clustered_sd(influence)
        values.append(gls.step[0])
        claims.append(sd**2)
        cover.append(abs(gls.step[0] - 1.5) < t_quantile(0.95, freedom) * sd)
    assert np.mean(claims) == pytest.approx(np.var(values), rel=0.25)
    assert 0.92 <= np.mean(cover) <= 0.98


def test_t_quantile_is_the_tables() -> None:
    # Student's table, two-sided 95 %: 12.706 at 1, 2.228 at 10 degrees of freedom (any table of t).
    assert t_quantile(0.95, 1) == pytest.approx(12.706, abs=5e-4)
    assert t_quantile(0.95, 10) == pytest.approx(2.228, abs=5e-4)
