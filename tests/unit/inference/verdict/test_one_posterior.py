"""The sampler against an independent one, and what it must do whatever the bench."""

from dataclasses import replace

import numpy as np
import pytest
from mixture_benches import prep_of, reference_answers, reference_prep

from shimwise.inference.model.bench import BenchFacts
from shimwise.inference.model.design import build_mixture
from shimwise.inference.model.prep import BodyKnowledge, Prep
from shimwise.inference.posterior.draws import draw
from shimwise.inference.verdict.answer import UnpartedKind, Verdict
from shimwise.inference.verdict.findings import limits
from shimwise.inference.verdict.judge import judge_prep

pytestmark = pytest.mark.slow  # draws many times

SD_AGREES = 0.05
"""Largest relative difference of a posterior sd, beside the independent sampler's own Monte Carlo error.

That error is taken from its two runs: the largest relative difference among the bench's quantities of that
kind (scales and tapes have long tails, and their sds need the longest runs)."""
EYE_SD_AGREES = 0.1
"""An eye is seldom wild, and few runs meet that seldom."""
P_AGREES = 0.025
RUNS, MORE_RUNS = 6, {"one lens far": 16}
"""Few, for time; the tolerances hold their Monte Carlo error. With 32 runs: see ``benchmarks/RESULTS.md``."""
MEAN_AGREES = 0.07
"""Largest difference of means, in posterior sd."""
LIMITED = ("body", "lens", "pair", "scale", "setup", "eye")
LENSES_UM = {"L18": 4.0, "L25": -5.0, "L35": 2.0, "L50": -1.0}


@pytest.mark.parametrize("name", sorted(reference_answers()))
def test_agrees_with_an_independent_sampler(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shimwise.inference.posterior.draws.GOOD_MEAN_P_SD", 0.0)  # use all runs
    prep, facts = reference_prep(name)
    built = build_mixture(prep, facts=facts)
    model, limit = built.model, limits(built, prep)
    draws = draw(model, limit=limit, seed=1, most_runs=MORE_RUNS.get(name, RUNS))
    below, above = draws.outside(limit)
    mean, sd = draws.estimate, draws.estimate_sd
    answers = reference_answers()[name]
    for quantity, expected in answers.items():
        kind, *names = quantity.split("|")
        i = draws.quantities.index(kind, *names)
        error = max(
            one["between"]["sd"] / one["sd"] for of, one in answers.items() if of.split("|")[0] == kind
        )
        assert abs(mean[i] - expected["mean"]) / expected["sd"] < MEAN_AGREES, quantity
        agrees = EYE_SD_AGREES if kind == "eye" else SD_AGREES
        assert abs(sd[i] / expected["sd"] - 1) < agrees + error, quantity
        if kind in LIMITED:
            assert abs(below[i] + above[i] - expected["p_out"]) < P_AGREES, quantity


def test_another_model_would_not_agree_with_the_independent_sampler() -> None:
    """The comparison must be able to fail: with the gauge left out the body's sd is far off."""
    prep, facts = reference_prep("two bodies, two lenses")
    gauged = replace(prep, bodies={"A": BodyKnowledge(gauge_um=0.0, gauge_sd_um=3.0)})
    built = build_mixture(gauged, facts=facts)
    draws = draw(built.model, limit=limits(built, gauged), seed=1)
    expected = reference_answers()["two bodies, two lenses"]["body|A"]
    assert abs(draws.estimate_sd[draws.quantities.index("body", "A")] / expected["sd"] - 1) > 3 * SD_AGREES


def test_same_seed_same_answer_and_the_order_of_rows_does_not_matter() -> None:
    prep = prep_of({"A": 12.0, "B": -3.0}, LENSES_UM, seed=3)
    order = np.random.default_rng(0).permutation(len(prep.readings))
    shuffled = replace(prep, readings=tuple(prep.readings[i] for i in order))
    one, other = judge_prep(prep, seed=5).answer, judge_prep(shuffled, seed=5).answer
    assert one == judge_prep(prep, seed=5).answer
    assert sorted(one.bodies, key=str) == sorted(other.bodies, key=str)
    assert sorted(one.pairs, key=str) == sorted(other.pairs, key=str)
    assert [r.landing_um for r in other.readings] == [one.readings[i].landing_um for i in order]


def test_a_large_fault_is_not_shrunk() -> None:
    body = judge_prep(prep_of({"A": 120.0, "B": 0.0}, LENSES_UM, seed=1)).answer.bodies[0]
    assert body.verdict is Verdict.OUT_DEEP
    assert body.error_um == pytest.approx(120.0, abs=6.0)
    assert body.low_um < 120.0 < body.high_um


def test_readings_at_infinity_only_cover_and_call_no_body_in_tolerance() -> None:
    covered = []
    for seed in range(4):
        true_um = -18.0 if seed % 2 else 18.0
        prep = prep_of(
            {"A": true_um, "B": 2.0}, LENSES_UM, feet=(80,), step_mm=304.8, infinity_from_feet=60, seed=seed
        )
        for body, truth in zip(judge_prep(prep, seed=seed).answer.bodies, (true_um, 2.0), strict=True):
            assert body.verdict is not Verdict.IN_TOLERANCE or truth != true_um
            covered.append(body.low_um <= truth <= body.high_um)
    assert np.mean(covered) >= 0.8


def test_probability_of_being_out_is_the_probability_as_a_cause() -> None:
    answer = judge_prep(prep_of({"A": 30.0, "B": 0.0}, LENSES_UM)).answer
    p_out = {("body", one.name): one.p_out for one in answer.bodies}
    p_out |= {("lens", one.name): one.p_out for one in answer.lenses}
    shared = [cause for cause in answer.causes if (cause.kind, cause.unit) in p_out]
    assert shared
    for cause in shared:
        assert cause.probability == p_out[cause.kind, cause.unit]


def test_without_readings_the_answer_is_the_prior_with_its_gauges() -> None:
    prep = Prep(
        readings=(), bodies={"A": BodyKnowledge(gauge_um=40.0, gauge_sd_um=3.0), "B": BodyKnowledge()}
    )
    gauged, unread = judge_prep(prep).answer.bodies
    assert gauged.verdict is Verdict.OUT_DEEP
    assert gauged.error_um == pytest.approx(39.0, abs=1.5)
    assert unread.verdict is Verdict.NOT_CHECKED
    # A's gauge says off or wild, by Bayes' rule: one observation of the shares beside the 6 of
    # their Dirichlet prior, which makes B's own wild level likelier.
    share, variance = np.array([0.5, 0.4, 0.1]), np.array([6.0, 18.0, 60.0]) ** 2
    of_a = share * np.exp(-0.5 * 40**2 / (variance + 9)) / np.sqrt(variance + 9)
    predicted = (6 * share + of_a / of_a.sum()) / 7
    assert unread.sd_um == pytest.approx(np.sqrt(predicted @ variance), rel=0.08)


def test_a_pair_is_decided_though_body_and_lens_cannot_be_parted() -> None:
    answer = judge_prep(prep_of({"A": -40.0}, {"L35": -20.0}, seed=2)).answer
    (pair,) = answer.pairs
    assert pair.verdict is Verdict.OUT_SHORT
    assert pair.low_um < -60.0 < pair.high_um
    assert pair.sd_um < answer.bodies[0].sd_um
    assert answer.bodies[0].verdict is not Verdict.OUT_SHORT


def test_marks_of_a_lens_widen_its_intervals() -> None:
    prep = prep_of({"A": 0.0}, {"L35": 0.0}, step_mm=304.8, repeats=1)
    marks = BenchFacts(marks_mm={"L35": tuple(304.8 * one for one in (2, 3, 4, 6, 8, 12, 20))})
    plain, told = build_mixture(prep).model.rows, build_mixture(prep, facts=marks).model.rows
    assert np.all(told.width_um > plain.width_um)


def test_what_cannot_be_parted_is_a_finding_of_its_own() -> None:
    pair = judge_prep(prep_of({"A": -40.0}, {"L35": -20.0}, seed=2)).answer
    assert ("A", "L35") in [one.names for one in pair.unparted if one.kind is UnpartedKind.PAIR]
    shifted = {name: value + 20.0 for name, value in LENSES_UM.items()}
    bench = judge_prep(prep_of({"A": 0.0, "B": 1.0}, shifted, seed=4)).answer
    (whole,) = [one for one in bench.unparted if one.kind is UnpartedKind.BENCH]
    assert whole.low_um < 20.5 < whole.high_um


def test_one_body_and_one_lens_are_not_called_out_for_what_the_other_may_have() -> None:
    for seed in range(3):
        answer = judge_prep(prep_of({"A": -60.0}, {"L35": 0.0}, seed=seed)).answer
        assert answer.bodies[0].verdict is Verdict.CANNOT_TELL
        assert answer.lenses[0].verdict is Verdict.CANNOT_TELL
        assert answer.pairs[0].verdict is Verdict.OUT_SHORT


def test_what_one_eye_alone_sees_of_everything_is_called_out_of_nothing() -> None:
    seen = prep_of({"A": -20.0, "B": -21.0}, LENSES_UM, seed=11)  # as by an eye ½ N·c short
    answer = judge_prep(seen).answer
    out = (Verdict.OUT_SHORT, Verdict.OUT_DEEP)
    assert not [pair for pair in answer.pairs if pair.verdict in out]
    assert not [unit for unit in (*answer.bodies, *answer.lenses) if unit.verdict in out]
    assert [one for one in answer.unparted if one.kind is UnpartedKind.BENCH]
    own = judge_prep(prep_of({"A": -45.0, "B": 0.0}, LENSES_UM, seed=11)).answer
    assert own.bodies[0].verdict is Verdict.OUT_SHORT  # apart from what both share


def test_two_persons_who_see_apart_are_a_finding_with_their_difference() -> None:
    prep = prep_of({"A": 0.0}, LENSES_UM, seed=7)
    other = prep_of({"A": -16.0}, LENSES_UM, seed=8)  # the same bench, seen 16 µm short by another person
    rows = [*prep.readings, *(replace(one, operator="q") for one in other.readings)]
    both = replace(prep, readings=tuple(replace(one, row=i, line=i + 2) for i, one in enumerate(rows)))
    answer = judge_prep(both).answer
    (apart,) = [one for one in answer.unparted if one.kind is UnpartedKind.EYES]
    assert apart.names == ("p", "q")
    assert apart.low_um < 16.0 < apart.high_um


def test_a_bench_too_large_for_the_collapsed_draws_gives_nearly_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    prep = prep_of({"A": 25.0, "B": 0.0}, LENSES_UM, seed=3)
    small = judge_prep(prep).answer.bodies
    monkeypatch.setattr("shimwise.inference.posterior.chains.MOST_COLLAPSED", 0)
    monkeypatch.setattr("shimwise.inference.posterior.products.MOST_DENSE", 0)
    large = judge_prep(prep).answer.bodies
    for one, other in zip(small, large, strict=True):
        assert one.error_um == pytest.approx(other.error_um, abs=0.6 * one.sd_um)
