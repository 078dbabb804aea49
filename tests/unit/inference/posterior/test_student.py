"""Student's t with ν = 4 in closed form, against scipy's."""

import numpy as np
import pytest
from scipy import stats

from shimwise.inference.posterior.student import (
    log_interval_probability,
    lower_tail,
    truncated_draws,
)


def test_the_lower_tail_agrees_with_scipy_far_out() -> None:
    t = np.array([-5000.0, -80.0, -3.0, -0.1, 0.0, 0.7, 4.0])
    np.testing.assert_allclose(lower_tail(t), stats.t(4).cdf(t), rtol=1e-9)


@pytest.mark.parametrize(("low", "high"), [(-1.0, 2.0), (60.0, 61.0), (-900.0, -890.0), (3.0, np.inf)])
def test_an_intervals_probability_agrees_with_scipy(low: float, high: float) -> None:
    found = log_interval_probability(np.array([low]), np.array([high]))
    t = stats.t(4)
    expected = t.cdf(-low) - t.cdf(-high) if low > 0 else t.cdf(high) - t.cdf(low)
    assert found[0] == pytest.approx(np.log(expected), abs=1e-6)


@pytest.mark.parametrize(("low", "high"), [(-0.5, 1.5), (4.0, np.inf), (-31.0, -30.0), (20.0, 40.0)])
def test_truncated_draws_are_distributed_as_the_truncated_t(low: float, high: float) -> None:
    level = (np.arange(2000) + 0.5) / 2000
    drawn = truncated_draws(np.full(2000, low), np.full(2000, high), level)
    assert drawn.min() >= low
    assert drawn.max() <= high
    t = stats.t(4)
    below = (t.sf(low) - t.sf(drawn)) / (t.sf(low) - t.sf(high)) if low > 0 else None
    if below is None:
        below = (t.cdf(drawn) - t.cdf(low)) / (t.cdf(high) - t.cdf(low))
    off = np.minimum(np.abs(below - level), np.abs(below - (1 - level)))  # mirrored intervals run backwards
    assert off.max() < 1e-6
