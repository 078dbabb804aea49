"""What a reading is worth, against refitting with its row added and the information in Student's t."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_benches import FloatArray, bench, prep, reading
from scipy import integrate, stats

from shimwise.inference.model.assemble import build_model
from shimwise.inference.posterior.information_gain import after, gain, variance_of


def random_case(seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A covariance of 5 unknowns, rows of 4 candidates, and their variances."""
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((5, 5)) * rng.uniform(0.5, 20, (5, 1))
    return root @ root.T + np.eye(5), rng.standard_normal((4, 5)), rng.uniform(0.1, 200, 4)


def refitted(covariance: FloatArray, row: FloatArray, variance: float) -> FloatArray:
    return np.asarray(np.linalg.inv(np.linalg.inv(covariance) + np.outer(row, row) / variance))


@settings(deadline=None)
@given(st.integers(0, 10_000))
def test_gain_is_what_refitting_with_the_row_takes_off(seed: int) -> None:
    covariance, design, variance = random_case(seed)
    wanted = np.array([0, 3])
    expected = [
        (np.diag(covariance) - np.diag(refitted(covariance, row, float(v))))[wanted]
        for row, v in zip(design, variance, strict=True)
    ]
    np.testing.assert_allclose(gain(covariance, design, variance, wanted), expected, rtol=1e-6, atol=1e-8)


@settings(deadline=None)
@given(st.integers(0, 10_000))
def test_covariance_after_a_reading_is_the_refitted_one(seed: int) -> None:
    covariance, design, variance = random_case(seed)
    found = after(covariance, design[0], float(variance[0]))
    np.testing.assert_allclose(
        found, refitted(covariance, design[0], float(variance[0])), rtol=1e-6, atol=1e-7
    )


def test_a_reading_that_says_nothing_of_a_unit_is_worth_nothing_to_it() -> None:
    covariance, design = np.diag([4.0, 9.0]), np.array([[1.0, 0.0]])
    found = gain(covariance, design, np.array([1.0]), np.array([0, 1]))
    assert found[0].tolist() == pytest.approx([4.0 * 4.0 / 5.0, 0.0])


def information_of_t(scale: float) -> float:
    """Fisher's information about the centre of Student's t of four, integrated from scipy's density."""
    error, step = stats.t(4, scale=scale), 1e-4

    def score_squared(x: float) -> float:
        slope = (error.logpdf(x + step) - error.logpdf(x - step)) / (2 * step)
        return float(slope**2 * error.pdf(x))

    return float(integrate.quad(score_squared, -400, 400, points=[0.0], limit=400)[0])


def test_a_readings_variance_is_one_over_the_information_in_its_students_t() -> None:
    _, candidates = build_model(
        prep(*bench(repeats=1)), candidates=[reading(), reading(lens="L9", fnumber=4.0)]
    )
    for k in (0.1, 0.3):
        found = variance_of(candidates, k)
        for blur, reading_sd, variance in zip(
            candidates.blur_um, candidates.reading_sd_um, found, strict=True
        ):
            assert 1 / variance == pytest.approx(
                information_of_t(float(np.hypot(k * blur, reading_sd))), rel=1e-3
            )


def test_a_wider_stop_and_a_steadier_eye_are_worth_more() -> None:
    _, candidates = build_model(prep(reading()), candidates=[reading(), reading(fnumber=4.0)])
    wide, narrow = variance_of(candidates, 0.2)
    assert wide < narrow
    assert variance_of(candidates, 0.1)[0] < wide
