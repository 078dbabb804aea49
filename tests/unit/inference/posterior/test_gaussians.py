"""Mixtures of normal distributions, against scipy's distributions and the definition of a quantile."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from shimwise.inference.posterior.mixtures import outside, quantile

ONE = np.ones(1)


@given(st.floats(-50, 50), st.floats(0.1, 40), st.floats(0.1, 60))
def test_one_normal_lies_outside_as_scipy_says(mean: float, sd: float, limit: float) -> None:
    below, above = outside(ONE, np.array([[mean]]), np.array([[sd]]), np.array([limit]))
    assert below[0] == pytest.approx(stats.norm.cdf(-limit, mean, sd), rel=1e-9, abs=1e-300)
    assert above[0] == pytest.approx(stats.norm.sf(limit, mean, sd), rel=1e-9, abs=1e-300)


def test_nothing_lies_outside_an_infinite_limit() -> None:
    below, above = outside(ONE, np.array([[3.0]]), np.array([[2.0]]), np.array([np.inf]))
    assert (below[0], above[0]) == (0.0, 0.0)


@given(st.floats(-50, 50), st.floats(0.1, 40), st.floats(0.001, 0.999))
def test_quantile_of_one_normal_is_scipys(mean: float, sd: float, level: float) -> None:
    found = quantile(ONE, np.array([[mean]]), np.array([[sd]]), level)[0]
    assert found == pytest.approx(stats.norm.ppf(level, mean, sd), abs=1e-7 * sd)


@given(
    st.lists(st.tuples(st.floats(0.05, 1), st.floats(-30, 30), st.floats(0.5, 9)), min_size=2, max_size=5),
    st.floats(0.01, 0.99),
)
def test_a_mixtures_quantile_has_that_share_of_it_below(
    parts: list[tuple[float, float, float]], level: float
) -> None:
    weight, mean, sd = (np.array(values) for values in zip(*parts, strict=True))
    share = weight / weight.sum()
    found = quantile(share, mean[:, None], sd[:, None], level)[0]
    assert float(share @ stats.norm.cdf(found, mean, sd)) == pytest.approx(level, abs=1e-6)


def test_two_modes_are_not_taken_for_one_normal() -> None:
    # Two narrow modes at ±20: the 95 % interval reaches both, and almost all lies beyond ±10.
    share, means, sds = np.array([0.5, 0.5]), np.array([[-20.0], [20.0]]), np.full((2, 1), 0.5)
    low, high = (quantile(share, means, sds, level)[0] for level in (0.025, 0.975))
    assert (low, high) == pytest.approx((-20 - 0.5 * 1.644854, 20 + 0.5 * 1.644854), abs=1e-5)
    assert sum(side[0] for side in outside(share, means, sds, np.array([10.0]))) == pytest.approx(1.0)
