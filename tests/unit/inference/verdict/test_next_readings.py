"""What a reading is worth, against refitting with its row added and the information in Student's t."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from invented_benches import bench, prep, reading
from scipy import integrate, stats

from shimwise.inference.model.candidates import possible_readings
from shimwise.inference.model.design import build_mixture
from shimwise.inference.posterior.student import STUDENT_INFLATION
from shimwise.inference.verdict.judge import judge_prep
from shimwise.inference.verdict.next_readings import (
    MOST_MORE,
    Candidates,
    next_readings,
    rounding_um,
    variance_of,
)


def information_of_t(scale: float) -> float:
    """Fisher's information about the centre of Student's t of four, integrated from scipy's density."""
    error, step = stats.t(4, scale=scale), 1e-4

    def score_squared(x: float) -> float:
        slope = (error.logpdf(x + step) - error.logpdf(x - step)) / (2 * step)
        return float(slope**2 * error.pdf(x))

    return float(integrate.quad(score_squared, -400, 400, points=[0.0], limit=400)[0])


@pytest.mark.slow
def test_a_readings_variance_is_one_over_the_information_in_its_students_t() -> None:
    assert pytest.approx(information_of_t(3.0), rel=1e-3) == 1 / (STUDENT_INFLATION * 9.0)


def test_a_wider_stop_and_a_steadier_eye_are_worth_more() -> None:
    built = build_mixture(prep(reading()), candidates=[reading(), reading(fnumber=4.0)])
    by_stop = {one.fnumber: i for i, one in enumerate(built.candidates)}
    at = variance_of(built, 0.2, rounding_um(built))
    assert at[by_stop[2.0]] < at[by_stop[4.0]]
    assert variance_of(built, 0.1, rounding_um(built))[by_stop[2.0]] < at[by_stop[2.0]]


def test_the_next_reading_is_the_one_that_a_refit_finds_best() -> None:
    subject = prep(*bench(repeats=1, noise_um=4.0, bodies_um={"B1": -9.0, "B2": 3.0}))
    judged = judge_prep(subject, candidates=possible_readings(subject))
    draws, built = judged.draws, judged.built
    wanted = np.array([*draws.quantities.indices("body"), *draws.quantities.indices("lens")])
    units = draws.quantities.matrix[wanted]
    information = np.linalg.inv(draws.unknowns_covariance)
    left = []
    variance = variance_of(built, float(draws.k.mean()), rounding_um(built))
    for row, v in zip(built.candidate_design, variance, strict=True):
        covariance = np.linalg.inv(information + np.outer(row, row) / v)
        left.append(float(np.mean(np.einsum("up,pq,uq->u", units, covariance, units))))
    found = next_readings(draws, built, wanted=wanted)
    assert len(found) == 3
    for i, one in zip(np.argsort(left, kind="stable"), found, strict=False):
        assert one.sd_after_um == pytest.approx(np.sqrt(left[i]), rel=1e-4)
    assert found[0].sd_after_um < np.sqrt(np.mean(draws.estimate_sd[wanted] ** 2))
    assert next_readings(draws, built, wanted=np.array([], dtype=np.intp)) == ()


def counted(
    prior_um: list[float], reading: list[list[float]], *, sd_um: float, eye_um: float = 16.0, m: float = 0.0
) -> int | None:
    """Count for the first of unknowns with these prior sds; readings see sums of them, rounded by m²."""
    chance: Any = SimpleNamespace(
        k=np.array([1.0]),
        unknowns_covariance=np.diag(np.square(prior_um)),
    )
    built: Any = SimpleNamespace(
        candidates=[SimpleNamespace(measured_sd_um=None, magnification=m, distance_mm=914.4)] * len(reading),
        candidate_design=np.array(reading),
        candidate_blur_um=np.full(len(reading), eye_um / STUDENT_INFLATION**0.5),
        candidate_ring_um=np.zeros(len(reading)),
    )
    taken = np.zeros(len(reading), dtype=np.intp)
    return Candidates.of(chance, built).count_to(np.eye(len(prior_um))[0], sd=sd_um, taken=taken)


@pytest.mark.parametrize(("sd_um", "count"), [(5.0, 7), (4.0, 12), (7.0, 2)])
def test_a_unit_read_by_itself_follows_the_square_root_law(sd_um: float, count: int) -> None:
    # 1/8² + n/16² has to reach 1/sd²: n = 256/sd² − 4.
    assert counted([8.0], [[1.0]], sd_um=sd_um) == count == int(np.ceil(256 / sd_um**2 - 4))


def test_what_its_partner_hides_no_number_of_readings_brings() -> None:
    # Only the sum is read: of two errors of 8 µm each keeps 8/√2 = 5.66 µm.
    assert counted([8.0, 8.0], [[1.0, 1.0]], sd_um=5.5) is None
    assert counted([8.0, 8.0], [[1.0, 1.0]], sd_um=5.8) is not None
    # The partner read by itself helps: then it comes down.
    both = counted([8.0, 8.0], [[1.0, 1.0], [0.0, 1.0]], sd_um=5.5)
    assert both is not None
    assert both <= MOST_MORE


def test_repeats_between_the_same_two_marks_say_nothing_new_unless_the_eye_carries_over_them() -> None:
    # An eye of 1 µm reads the same mark each time; one that spreads over several marks does not.
    assert counted([20.0], [[1.0]], sd_um=15.0, eye_um=1.0, m=0.1) is None
    assert counted([20.0], [[1.0]], sd_um=15.0, eye_um=150.0, m=0.1) is not None
