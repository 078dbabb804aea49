"""What a reading is worth, against refitting with its row added and the information in Student's t."""

import numpy as np
import pytest
from invented_benches import bench, prep, reading
from scipy import integrate, stats

from shimwise.inference.model.candidates import possible_readings
from shimwise.inference.model.design import build_mixture
from shimwise.inference.verdict.judge import judge_prep
from shimwise.inference.verdict.next_readings import STUDENT_LOSS, next_readings, variance_of


def information_of_t(scale: float) -> float:
    """Fisher's information about the centre of Student's t of four, integrated from scipy's density."""
    error, step = stats.t(4, scale=scale), 1e-4

    def score_squared(x: float) -> float:
        slope = (error.logpdf(x + step) - error.logpdf(x - step)) / (2 * step)
        return float(slope**2 * error.pdf(x))

    return float(integrate.quad(score_squared, -400, 400, points=[0.0], limit=400)[0])


def test_a_readings_variance_is_one_over_the_information_in_its_students_t() -> None:
    assert pytest.approx(information_of_t(3.0), rel=1e-3) == 1 / (STUDENT_LOSS * 9.0)


def test_a_wider_stop_and_a_steadier_eye_are_worth_more() -> None:
    built = build_mixture(prep(reading()), candidates=[reading(), reading(fnumber=4.0)])
    by_stop = {one.fnumber: i for i, one in enumerate(built.candidates)}
    at = variance_of(built, 0.2)
    assert at[by_stop[2.0]] < at[by_stop[4.0]]
    assert variance_of(built, 0.1)[by_stop[2.0]] < at[by_stop[2.0]]


def test_the_next_reading_is_the_one_that_a_refit_finds_best() -> None:
    subject = prep(*bench(repeats=1, noise_um=4.0, bodies_um={"B1": -9.0, "B2": 3.0}))
    judged = judge_prep(subject, candidates=possible_readings(subject))
    draws, built = judged.draws, judged.built
    wanted = np.array([*draws.quantities.indices("body"), *draws.quantities.indices("lens")])
    units = draws.quantities.matrix[wanted]
    information = np.linalg.inv(draws.unknowns_covariance)
    left = []
    for row, v in zip(built.candidate_design, variance_of(built, float(draws.k.mean())), strict=True):
        covariance = np.linalg.inv(information + np.outer(row, row) / v)
        left.append(float(np.mean(np.einsum("up,pq,uq->u", units, covariance, units))))
    found = next_readings(draws, built, wanted=wanted)
    assert len(found) == 3
    for i, one in zip(np.argsort(left, kind="stable"), found, strict=False):
        assert one.sd_after_um == pytest.approx(np.sqrt(left[i]), rel=1e-4)
    assert found[0].sd_after_um < np.sqrt(np.mean(draws.estimate_sd[wanted] ** 2))
    assert next_readings(draws, built, wanted=np.array([], dtype=np.intp)) == ()
