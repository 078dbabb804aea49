"""Do 95 % intervals hold? Simulated preps with known truth (benchmarks.prep_simulator), seeds fixed.

Of 12 preps a share of .95 of the bodies has a standard error of .063; `benchmarks` asks many more.
"""

import numpy as np
import pytest
from benchmarks.prep_simulator import draw_truth, read_all

from shimwise.inference.model.prep import Prep
from shimwise.inference.model.priors import STARTING_LEVELS, Levels, Priors
from shimwise.inference.verdict.judge import judge_prep

pytestmark = pytest.mark.slow
PREPS = 12


def shares_held(*, preps: int, priors: Priors | None = None) -> tuple[float, float]:
    """Shares of bodies, and of pairs, whose 95 % interval holds the truth."""
    rng, bodies, pairs = np.random.default_rng(11), list[bool](), list[bool]()
    for _ in range(preps):
        truth = draw_truth(rng)
        readings, _ = read_all(rng, truth)
        answer = judge_prep(Prep(readings=readings), priors=priors).answer
        bodies += [one.low_um <= truth.body_um[one.name] <= one.high_um for one in answer.bodies]
        for one in answer.pairs:
            true_um = truth.body_um[one.body] + truth.lens_um[one.lens]
            pairs.append(one.low_um <= true_um <= one.high_um)
    return float(np.mean(bodies)), float(np.mean(pairs))


def test_95_percent_intervals_of_bodies_and_pairs_hold() -> None:
    bodies, pairs = shares_held(preps=PREPS)
    assert bodies >= 0.82
    assert 0.90 <= pairs <= 1.0


def test_the_check_fails_when_everything_is_taken_for_eight_times_better() -> None:
    levels = {
        effect: Levels((of.sd[0] / 8, of.sd[1] / 8, of.sd[2] / 8), of.share)
        for effect, of in STARTING_LEVELS.items()
    }
    assert shares_held(preps=4, priors=Priors(levels=levels, healthy_lens_sds_um=(0.6,)))[1] < 0.85
