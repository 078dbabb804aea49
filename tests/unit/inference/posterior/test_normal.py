"""The normal distribution function against the standard library and its own symmetry."""

from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.inference.posterior.normal import normal_cdf


@given(st.floats(-12, 12))
def test_it_agrees_with_the_standard_library(x: float) -> None:
    assert normal_cdf(np.array([x]))[0] == pytest.approx(NormalDist().cdf(x), abs=2e-15)


def test_the_two_sides_add_up_to_one() -> None:
    x = np.linspace(-10, 10, 4002).reshape(3, -1)
    assert normal_cdf(x) + normal_cdf(-x) == pytest.approx(np.ones_like(x), abs=2e-15)


def test_beyond_every_table_it_is_nought_or_one() -> None:
    assert normal_cdf(np.array([-np.inf, -40.0, 40.0, np.inf])).tolist() == pytest.approx(
        [0, 0, 1, 1], abs=1e-18
    )
