"""Faults once found, kept as tests: sides, plans, zooms, tables, tolerances and impossible numbers."""

import math
from dataclasses import replace

import pytest
from invented_benches import SET_MM, bench, measured, prep, reading

from shimwise.errors import InferenceError
from shimwise.inference.model.assemble import build_model
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep
from shimwise.inference.plan.planner import plan_check
from shimwise.inference.posterior.robust import robust_posterior
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.decision import decide
from shimwise.inference.verdict.judge import judge

SIX = {"L18": 18.0, "L25": 25.0, "L35": 35.0, "L50": 50.0, "L75": 75.0, "L100": 100.0}


def kit(history_sd_um: float | None = None, bodies: tuple[str, ...] = ("B1",)) -> Prep:
    mean = None if history_sd_um is None else 0.0
    return Prep(
        readings=(),
        bodies={b: BodyKnowledge() for b in bodies},
        lenses={
            n: LensKnowledge(
                focal_lengths_mm=(f,),
                fnumber=2.0,
                separation_mm=0.0,
                history_mean_um=mean,
                history_sd_um=history_sd_um,
            )
            for n, f in SIX.items()
        },
    )


def test_a_unit_is_called_out_short_only_when_short_is_what_it_probably_is() -> None:
    assert (
        decide(p_below=0.42, p_above=0.41, sd_um=12.0, tolerance_um=3.0, is_read=True) is Verdict.CANNOT_TELL
    )


def test_one_reading_on_the_mark_calls_nobody_out_whatever_the_tolerance() -> None:
    answer = judge(prep(reading(landing_um=0.0), tolerance_um=2.0))
    assert answer.bodies[0].verdict not in (Verdict.OUT_SHORT, Verdict.OUT_DEEP), answer.headline


def test_lenses_of_known_history_let_a_plan_reach_5_um() -> None:
    plan = plan_check(kit(5.0), target_um=5.0, k=0.2)  # the limit that the plan itself tells is 4.2
    assert plan.limits[0].limit_um < 4.3
    assert plan.is_reached, (plan.count, plan.bodies)


def test_a_target_just_above_the_limit_is_planned_for() -> None:
    plan = plan_check(kit(), target_um=10.0, k=0.2)  # limit 9.23
    assert plan.limits[0].limit_um < 9.5
    assert plan.is_reached, (plan.count, plan.bodies)


def test_a_plan_for_more_than_can_be_weighed_is_refused_and_leaves_none_out_unsaid() -> None:
    names = tuple(f"B{i}" for i in range(150))  # 150 bodies, 6 lenses, 3 distances
    with pytest.raises(InferenceError, match="2700 different readings are possible; at most 2000"):
        plan_check(kit(bodies=names), target_um=20.0, k=0.2)


def test_a_zoom_with_a_table_by_distance_is_refused() -> None:
    table = ((914.4, 70.0, -5.0), (math.inf, 76.0, 0.0))
    zoom = LensKnowledge(focal_lengths_mm=(28.0, 76.0), by_distance=table)
    one = reading(0, lens="Z", focal_mm=28.0, distance_mm=914.4, reading_mm=900.0)
    with pytest.raises(InferenceError, match="Z is a zoom and has a by_distance table"):
        build_model(prep(one, lenses={"Z": zoom}))


def test_a_distance_outside_the_table_is_not_taken_for_its_edge_in_silence() -> None:
    table = ((1828.8, 70.0, 0.0), (math.inf, 50.0, 0.0))
    one = reading(distance_mm=914.4, landing_um=-30.0, separation_mm=None)
    model, _ = build_model(prep(one, lenses={"L1": LensKnowledge(by_distance=table)}))
    assert [(notice.code, notice.unit) for notice in model.notices] == [("beyond_table", "L1")]
    assert any(unknown.kind.value == "conversion" for unknown in model.unknowns)


def test_the_headline_does_not_claim_the_preps_tolerance_for_a_body_with_a_wider_one() -> None:
    taken = bench(bodies_um={"B1": 14.0}, noise_um=2.0, repeats=3)
    known = {n: LensKnowledge(gauge_um=0.0, gauge_sd_um=2.0) for n in SET_MM}
    answer = judge(prep(*taken, lenses=known, bodies={"B1": BodyKnowledge(tolerance_um=25.0)}))
    assert answer.bodies[0].error_um > 10
    assert "all 4 units are within ±10 µm" not in answer.headline, answer.headline


def test_the_order_of_readings_by_two_persons_does_not_matter() -> None:
    taken = [replace(r, operator="ab"[i % 2]) for i, r in enumerate(bench(noise_um=9.0, repeats=1, seed=2))]
    (m1, _), (m2, _) = (build_model(prep(*rows)) for rows in (taken, taken[1:] + taken[:1]))
    one, other = robust_posterior(m1), robust_posterior(m2)
    b1, b2 = (next(i for i, u in enumerate(m.unknowns) if u.name == "B1") for m in (m1, m2))
    assert other.mean[b2] == pytest.approx(one.mean[b1], abs=1e-6)


def test_a_gauged_lens_without_an_fnumber_is_answered_for() -> None:
    answer = judge(prep(reading(), lenses={"X": LensKnowledge(gauge_um=30.0, gauge_sd_um=2.0)}))
    assert "X" in [lens.name for lens in answer.lenses]


def test_a_measured_focal_length_in_the_kit_does_not_make_a_zoom_of_a_prime() -> None:
    known = {"L1": LensKnowledge(focal_lengths_mm=(49.8,), separation_mm=1.0)}
    model, _ = build_model(prep(reading(focal_mm=50.0), lenses=known))
    assert "internal_focus" not in [one.code for one in model.notices]


@pytest.mark.parametrize(("um", "sd"), [(-20.0, 0.0), (-20.0, -1.0), (math.nan, 1.0), (-20.0, math.inf)])
def test_an_impossible_measured_landing_is_refused(um: float, sd: float) -> None:
    with pytest.raises(InferenceError, match="the measured landing"):
        judge(Prep(readings=(reading(),), landings=(measured(um, sd),)))


@pytest.mark.parametrize("tolerance_um", [0.0, -1.0, math.nan])
def test_an_impossible_tolerance_is_refused(tolerance_um: float) -> None:
    with pytest.raises(InferenceError):
        judge(prep(reading(), tolerance_um=tolerance_um))


def test_a_measured_landing_is_not_warned_of_as_converted() -> None:
    model, _ = build_model(Prep(readings=(), landings=(measured(-20.0, 0.5),)))
    assert "unknown_separation" not in [one.code for one in model.notices]
