"""Do 95 % intervals hold? Simulated preps with known truth (benchmarks.prep_simulator), seeds fixed.

Of 200 preps a share of 0.95 has a standard error of 0.015; 0.89 to 0.99 are some three of those.
"""

import numpy as np
import pytest
from benchmarks.prep_simulator import DISTANCES_MM, Truth, draw_truth, read_all

from shimwise.inference.model import linear
from shimwise.inference.model.assemble import build_model
from shimwise.inference.model.linear import Kind
from shimwise.inference.model.prep import LensKnowledge, Prep
from shimwise.inference.posterior import faults, robust
from shimwise.inference.posterior.robust import K_GRID, robust_posterior
from shimwise.inference.verdict import judge

pytestmark = pytest.mark.slow
LEAST, MOST = 0.89, 0.99
PREPS = 200
FAR_MM = (3657.6,)


def collimated(rng: np.random.Generator, truth: Truth, sd_um: float = 1.0) -> dict[str, LensKnowledge]:
    """Lenses measured on a collimator: the body is then as well known as the readings are."""
    return {
        name: LensKnowledge(gauge_um=error + rng.normal(0, sd_um), gauge_sd_um=sd_um)
        for name, error in truth.lens_um.items()
    }


def share_held(*, is_collimated: bool, seed: int, preps: int = PREPS) -> float:
    """Share of preps whose 95 % interval of the body holds the truth."""
    rng = np.random.default_rng(seed)
    distances_mm = FAR_MM if is_collimated else DISTANCES_MM
    held = 0
    for _ in range(preps):
        truth = draw_truth(rng, distances_mm=distances_mm)
        readings, _ = read_all(rng, truth, repeats=1 if is_collimated else 3, distances_mm=distances_mm)
        lenses = collimated(rng, truth) if is_collimated else {}
        subject, _ = build_model(Prep(readings=readings, lenses=lenses))
        low, high = robust_posterior(subject).interval()
        body = subject.index(Kind.BODY, "B1")
        held += bool(low[body] <= truth.body_um["B1"] <= high[body])
    return held / preps


@pytest.mark.parametrize("is_collimated", [False, True], ids=["unknown lenses", "collimated lenses"])
def test_95_percent_intervals_of_the_body_hold(is_collimated: bool) -> None:
    assert LEAST <= share_held(is_collimated=is_collimated, seed=11) <= MOST


def test_the_check_fails_when_readings_are_taken_for_four_times_better(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(robust, "K_GRID", K_GRID / 4)
    monkeypatch.setattr(linear, "READING_SCALE_MM", linear.READING_SCALE_MM / 4)
    assert share_held(is_collimated=True, seed=11, preps=60) < LEAST


def test_95_percent_intervals_of_the_answer_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    # The whole judgement, damaged units with their wider priors; a shorter search, as it only finds damage.
    monkeypatch.setattr(faults, "CHAINS", 16)
    monkeypatch.setattr(faults, "SWEEPS", 20)
    monkeypatch.setattr(faults, "BURN_IN", 5)
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(100):
        truth = draw_truth(rng)
        readings, _ = read_all(rng, truth)
        (body,) = judge.judge(Prep(readings=readings)).bodies
        held += bool(body.low_um <= truth.body_um["B1"] <= body.high_um)
    assert LEAST <= held / 100 <= MOST
