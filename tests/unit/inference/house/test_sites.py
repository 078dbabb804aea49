"""Sites of readings and levels against integrals."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm, truncnorm

from shimwise.inference.house.sites import mixture_sites, reading_sites, truncated_moments


@pytest.mark.parametrize(
    ("low", "high"), [(-1, 1), (-8, -6), (2, np.inf), (0, np.inf), (9, np.inf), (1, 1.31)]
)
def test_moments_between_bounds_are_those_of_the_truncated_normal(low: float, high: float) -> None:
    mean, variance = truncated_moments(np.array([low]), np.array([high]))
    assert mean[0] == pytest.approx(truncnorm.mean(low, high), abs=1e-5)
    assert variance[0] == pytest.approx(truncnorm.var(low, high), rel=2e-3)


@pytest.mark.slow
def test_levels_are_weighed_and_moments_kept() -> None:
    mean, variance, sds, share = 3.0, 4.0, np.array([3.0, 12.0]), np.array([0.8, 0.2])
    site, weight, _ = mixture_sites(np.array([mean]), np.array([variance]), sds**2, share)

    def density(x: float) -> float:
        prior = sum(p * norm.pdf(x, 0, sd) for p, sd in zip(share, sds, strict=True))
        return float(prior * norm.pdf(x, mean, variance**0.5))

    mass, first, second = (quad(lambda x, n=n: x**n * density(x), -60, 60)[0] for n in range(3))
    wide = share[1] * norm.pdf(mean, 0, np.hypot(12, 2)) / mass
    assert weight[0, 1] == pytest.approx(wide, rel=1e-6)
    precision = 1 / variance + site.precision[0]
    assert 1 / precision == pytest.approx(second / mass - (first / mass) ** 2, rel=1e-6)
    assert (mean / variance + site.pull[0]) / precision == pytest.approx(first / mass, rel=1e-6)


def test_a_sharp_reading_has_five_sevenths_of_its_scales_information() -> None:
    """Fisher information of t(4) about its place: (ν + 1)/(ν + 3) in units of the scale."""
    z = np.random.default_rng(1).standard_t(4, 200_000) * 5.0
    square = np.maximum(z**2, 0.0)
    site, _ = reading_sites(
        low=z - 1e-3,
        high=z + 1e-3,
        scale=np.full(len(z), 5.0),
        square=square,
        mean=np.zeros(len(z)),
        variance=np.full(len(z), 1e-4),
    )
    assert float(site.precision.mean()) == pytest.approx(5 / 7 / 25.0, rel=0.01)


def test_a_bound_pulls_up_and_says_little_once_it_is_met() -> None:
    far, met = (
        reading_sites(
            low=np.array([0.0]),
            high=np.array([np.inf]),
            scale=np.array([5.0]),
            square=np.array([25.0]),
            mean=np.array([mean]),
            variance=np.array([100.0]),
        )[0]
        for mean in (-20.0, 60.0)
    )
    assert (-20.0 / 100 + far.pull[0]) / (0.01 + far.precision[0]) > -10.0
    assert met.precision[0] < 1e-5
