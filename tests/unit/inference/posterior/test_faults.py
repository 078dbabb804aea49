"""Damaged or healthy: the sampler against every configuration summed by brute integration."""

import itertools
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from invented_benches import (
    FOOT_MM,
    FloatArray,
    bench,
    given_sums,
    linear_model,
    prep,
    sums_grid,
    two_lens_bench,
)
from scipy import stats

from shimwise.inference.model.assemble import build_model
from shimwise.inference.model.linear import Kind, Model, Unknown
from shimwise.inference.model.prep import LensKnowledge, Reading
from shimwise.inference.posterior import faults
from shimwise.inference.posterior.faults import HEALTHY_LENS_SD_UM, PRIORS, Faults, damaged_sd, find_faults
from shimwise.inference.posterior.robust import K_GRID, K_LOG_SD, K_MEDIAN, robust_posterior

LIMIT_UM = 10.0
SAMPLER_ERROR = 0.045
"""Four standard errors of one run's probabilities, which are 0.01 where they are near a half."""


def enumerated(model: Model, k_grid: FloatArray) -> tuple[FloatArray, FloatArray]:
    """P(beyond ±10 µm) and P(damaged) of body and lenses: 8 configurations × 5 spreads of healthy lenses."""
    grid = sums_grid(model, k_grid, step_um=1.0)
    prior_of_k = stats.norm.logpdf(np.log(k_grid), math.log(K_MEDIAN), K_LOG_SD)
    log_likelihood = np.logaddexp.reduce(grid.log_likelihood + prior_of_k[:, None], axis=0)
    body, lens = PRIORS[Kind.BODY], PRIORS[Kind.LENS]
    total, out, damaged = 0.0, np.zeros(3), np.zeros(3)
    for state in itertools.product((False, True), repeat=3):
        prior = math.prod(
            kind.p_damaged if is_damaged else 1 - kind.p_damaged
            for kind, is_damaged in zip((body, lens, lens), state, strict=True)
        )
        for healthy_sd in HEALTHY_LENS_SD_UM:
            narrow = np.array([body.healthy_sd, healthy_sd, healthy_sd])
            sd = np.where(state, [body.damaged_sd, lens.damaged_sd, lens.damaged_sd], narrow)
            gain, rest, of_sums = given_sums(model, sd)
            density = stats.multivariate_normal([0.0, 0.0], of_sums).logpdf(grid.sums_um)
            mass = prior * np.exp(log_likelihood + density)
            mean, spread = grid.sums_um @ gain.T, np.sqrt(np.diag(rest))
            beyond = stats.norm.sf((LIMIT_UM - mean) / spread) + stats.norm.cdf((-LIMIT_UM - mean) / spread)
            total += mass.sum()
            out += mass @ beyond
            damaged += mass.sum() * np.array(state)
    return out / total, damaged / total


def sampled(model: Model, *, seed: int = 0) -> Faults:
    limit = np.full(len(model.unknowns), LIMIT_UM)
    return find_faults(model, robust_posterior(model), limit=limit, seed=seed)


BENCHES = {
    "unclear": ([-20.0, -23.0, -17.0], [-5.0, -8.0, -2.0]),
    "body": ([-20.0, -21.0, -19.0], [-15.0, -14.5, -16.0]),
    "lens": ([-30.0, -28.0, -31.0], [0.0, 1.0, 2.0]),
    "fine": ([3.0, 4.0, 1.0], [0.0, 1.0, -2.0]),
    "two readings": ([20.0], [-60.0]),  # the reader's k is hardly known, and matters
    "blunder": ([-20.0, -23.0, 40.0], [-25.0, -28.0, -22.0]),
}


@pytest.mark.parametrize("name", BENCHES)
def test_probabilities_agree_with_all_configurations_summed(name: str) -> None:
    model = two_lens_bench(*BENCHES[name])
    out, damaged = enumerated(model, K_GRID)
    found = sampled(model)
    np.testing.assert_allclose(found.p_out, out, atol=SAMPLER_ERROR)
    np.testing.assert_allclose(found.p_damaged, damaged, atol=SAMPLER_ERROR)


def test_the_mean_of_many_seeds_comes_closer(known_k: Callable[[float], None]) -> None:
    # Ten runs: a third of one run's error, so a bias of the sampler would show.
    known_k(0.2)
    model = two_lens_bench(*BENCHES["lens"])
    out, damaged = enumerated(model, np.array([0.2]))
    runs = [sampled(model, seed=seed) for seed in range(10)]
    np.testing.assert_allclose(np.mean([run.p_out for run in runs], axis=0), out, atol=0.015)
    np.testing.assert_allclose(np.mean([run.p_damaged for run in runs], axis=0), damaged, atol=0.015)


def test_benches_too_large_for_one_unit_at_a_time_get_the_same_answer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The other way of drawing damage, given all errors, mixes more slowly: twice the tolerance.
    monkeypatch.setattr(faults, "MOST_COLLAPSED", 0)
    model = two_lens_bench(*BENCHES["unclear"])
    out, damaged = enumerated(model, K_GRID)
    found = sampled(model)
    np.testing.assert_allclose(found.p_out, out, atol=2 * SAMPLER_ERROR)
    np.testing.assert_allclose(found.p_damaged, damaged, atol=2 * SAMPLER_ERROR)


@pytest.mark.usefixtures("normal_errors")
def test_a_unit_seen_alone_follows_bayes_rule_for_two_normals(known_k: Callable[[float], None]) -> None:
    # One body, nothing else, normal errors: z ~ N(0, sd² + s²) under either state; odds by hand.
    known_k(0.1)
    z, s = 24.0, 3.0
    model = linear_model([Unknown(Kind.BODY, "B1", 0.0, 15.0)], [[1.0]], [z], reading_sd_um=s)
    prior = PRIORS[Kind.BODY]
    weight = {
        sd: share * stats.norm.pdf(z, 0.0, math.hypot(sd, s))
        for sd, share in ((prior.damaged_sd, prior.p_damaged), (prior.healthy_sd, 1 - prior.p_damaged))
    }
    expected = weight[prior.damaged_sd] / sum(weight.values())
    found = sampled(model)
    assert found.p_damaged[0] == pytest.approx(expected, abs=1e-6)
    beyond = sum(
        w
        / sum(weight.values())
        * stats.norm.sf((LIMIT_UM - z * sd**2 / (sd**2 + s**2)) / (sd * s / math.hypot(sd, s)))
        for sd, w in weight.items()
    )
    assert found.p_out[0] == pytest.approx(beyond, abs=SAMPLER_ERROR)


def test_the_same_seed_gives_the_same_answer_and_another_seed_another() -> None:
    model = two_lens_bench(*BENCHES["unclear"])
    one, again, other = (sampled(model, seed=seed) for seed in (3, 3, 4))
    np.testing.assert_array_equal(one.p_out, again.p_out)
    np.testing.assert_array_equal(one.p_damaged, again.p_damaged)
    assert (one.p_out != other.p_out).any()


def test_probabilities_are_probabilities_and_nuisances_are_never_at_fault() -> None:
    taken = tuple(replace(r, separation_mm=None) for r in bench(lenses_um={"L75": 60.0}, noise_um=3.0))
    model, _ = build_model(prep(*taken))
    limit = np.where([u.kind in PRIORS for u in model.unknowns], LIMIT_UM, np.inf)
    found = find_faults(model, robust_posterior(model), limit=limit, seed=0)
    assert ((found.p_out >= 0) & (found.p_out <= 1)).all()
    assert ((found.p_damaged >= 0) & (found.p_damaged <= 1)).all()
    nuisances = model.indices(Kind.CONVERSION)
    assert nuisances
    assert not found.p_out[nuisances].any()
    assert not found.p_damaged[nuisances].any()
    assert found.p_damaged[model.index(Kind.LENS, "L75")] > 0.9


def searched(taken: tuple[Reading, ...]) -> tuple[Model, Faults]:
    model, _ = build_model(prep(*taken))
    limit = [{Kind.SCALE: 5.0, Kind.SETUP: 5.0}.get(u.kind, LIMIT_UM) for u in model.unknowns]
    return model, find_faults(model, robust_posterior(model), limit=np.array(limit), seed=0)


@pytest.mark.parametrize(
    ("taken", "kind", "name"),
    [
        (bench(bodies_um={"B1": -40.0}, noise_um=3.0, repeats=3), Kind.BODY, "B1"),
        (bench(lenses_um={"L50": 45.0}, noise_um=3.0, repeats=3), Kind.LENS, "L50"),
        (bench(tape_mm={("B1", 3 * FOOT_MM): 30.0}, noise_um=3.0, repeats=3), Kind.SETUP, "B1 at 3'"),
    ],
    ids=["body", "lens", "setup"],
)
def test_the_one_unit_at_fault_is_the_most_probable_cause(
    taken: tuple[Reading, ...], kind: Kind, name: str
) -> None:
    model, found = searched(taken)
    culprit = model.index(kind, name)
    assert int(np.argmax(found.p_out)) == culprit
    assert found.p_out[culprit] > 0.9
    assert np.delete(found.p_out, culprit).max() < 0.5


def test_on_a_fine_bench_nobody_is_probably_at_fault() -> None:
    _, found = searched(bench(noise_um=3.0, repeats=3))
    assert found.p_out.max() < 0.3
    assert found.p_damaged.max() < 0.5


def test_a_damaged_unit_with_history_gets_its_own_spread_and_the_damage() -> None:
    told = {"L50": LensKnowledge(history_mean_um=2.0, history_sd_um=4.0)}
    model, _ = build_model(prep(*bench(), lenses=told))
    wide = PRIORS[Kind.LENS].damaged_sd
    assert damaged_sd(model, model.index(Kind.LENS, "L50")) == pytest.approx(math.sqrt(4.0**2 + wide**2))
    assert damaged_sd(model, model.index(Kind.LENS, "L25")) == wide


def test_a_lens_away_from_its_own_history_is_suspected_and_one_near_it_is_not() -> None:
    # All lenses land 40 µm deep, and history says so of all but one.
    lenses_um = {"L25": 40.0, "L50": 40.0, "L75": 40.0}
    told = {
        n: LensKnowledge(history_mean_um=40.0 if n != "L50" else 0.0, history_sd_um=2.0) for n in lenses_um
    }
    model, _ = build_model(prep(*bench(lenses_um=lenses_um, noise_um=2.0, repeats=3), lenses=told))
    found = find_faults(model, robust_posterior(model), limit=np.full(len(model.unknowns), LIMIT_UM), seed=0)
    damaged = {u.name: found.p_damaged[i] for i, u in enumerate(model.unknowns) if u.kind is Kind.LENS}
    assert damaged["L50"] > 0.9
    assert max(damaged["L25"], damaged["L75"]) < 0.2
