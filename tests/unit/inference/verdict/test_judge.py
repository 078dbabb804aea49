"""From readings to the answer: signs, promises of the answer, the example bench, and what to read next."""

import csv
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmarks.prep_simulator import draw_scene, read_all
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_benches import FAR_MM, FOOT_MM, SET_MM, bench, extension_mm, prep, reading

from property_cases import examples
from shimwise.errors import InferenceError, OpticsError
from shimwise.inference.model.candidates import possible_readings
from shimwise.inference.model.prep import Axis, BodyKnowledge, FocusDesign, LensKnowledge, Prep, Reading
from shimwise.inference.model.priors import STARTING_LEVELS, Effect
from shimwise.inference.verdict.answer import Answer, BodyAnswer, Verdict
from shimwise.inference.verdict.judge import judge
from shimwise.lengths import length_to_mm
from shimwise.notices import Notice

EXAMPLE = Path(__file__).parents[3] / "reference" / "bench-1"
OUT = (Verdict.OUT_SHORT, Verdict.OUT_DEEP)
KNOWN_LENSES = {name: LensKnowledge(gauge_um=0.0, gauge_sd_um=2.0) for name in SET_MM}


def judged(
    *readings: Reading,
    bodies: Mapping[str, BodyKnowledge] | None = None,
    lenses: Mapping[str, LensKnowledge] | None = None,
) -> Answer:
    return judge(prep(*readings, bodies=bodies, lenses=lenses))


def units(answer: Answer) -> dict[tuple[str, str], BodyAnswer]:
    return {("body", u.name): u for u in answer.bodies} | {("lens", u.name): u for u in answer.lenses}


# --- signs -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("body_um", "verdict"), [(-25.0, Verdict.OUT_SHORT), (25.0, Verdict.OUT_DEEP)])
def test_a_body_whose_sensor_sits_too_close_lands_short_and_one_too_far_deep(
    body_um: float, verdict: Verdict
) -> None:
    taken = bench(bodies_um={"B1": body_um}, noise_um=2.0)
    assert all((r.reading_mm - r.distance_mm) * body_um > 0 for r in taken)  # short marks for a short body
    answer = judged(*taken, lenses=KNOWN_LENSES)
    (body,) = answer.bodies
    assert body.verdict is verdict
    assert body.error_um == pytest.approx(body_um, abs=4)
    assert answer.causes[0].kind == "body"
    assert ("short" if body_um < 0 else "deep") in answer.headline


@pytest.mark.parametrize("tape_mm", [-30.0, 30.0])
def test_a_chart_farther_than_taped_is_a_positive_setup_error(tape_mm: float) -> None:
    answer = judged(
        *bench(tape_mm={("B1", 3 * FOOT_MM): tape_mm}, noise_um=2.0, repeats=3), lenses=KNOWN_LENSES
    )
    near = next(setup for setup in answer.setups if setup.name == "B1 at 3'")
    assert near.error_mm == pytest.approx(tape_mm, rel=0.25)
    assert near.p_out > 0.9
    assert (answer.causes[0].kind, answer.causes[0].unit) == ("setup", "B1 at 3'")
    assert "Set-up B1 at 3' is taped wrong" in answer.headline
    assert all(setup.p_out < 0.5 for setup in answer.setups if setup is not near)


@pytest.mark.parametrize("permille", [-20.0, 20.0])
def test_a_scale_error_that_grows_with_the_extension_and_lands_deep_is_positive(permille: float) -> None:
    taken = []
    for r in bench(noise_um=2.0, repeats=3):
        more_um = permille * extension_mm(r.focal_mm, r.distance_mm) if r.lens == "L75" else 0.0
        noise_um = 1e3 * (extension_mm(r.focal_mm, r.distance_mm) - extension_mm(r.focal_mm, r.reading_mm))
        taken.append(
            reading(
                r.row,
                lens=r.lens,
                focal_mm=r.focal_mm,
                distance_mm=r.distance_mm,
                landing_um=noise_um + more_um,
            )
        )
    answer = judged(*taken, lenses=KNOWN_LENSES)
    lens = next(lens for lens in answer.lenses if lens.name == "L75")
    assert lens.scale_permille == pytest.approx(permille, rel=0.2)
    assert lens.p_scale_out > 0.9
    assert abs(lens.error_um) < 4  # not the lens's depth
    assert "The scale of lens L75 is off" in answer.headline


@pytest.mark.slow
def test_mirrored_landings_give_the_mirrored_answer() -> None:
    one = bench(bodies_um={"B1": -35.0}, lenses_um={"L50": 9.0}, noise_um=3.0)
    other = tuple(
        replace(
            r, reading_mm=reading(focal_mm=r.focal_mm, distance_mm=r.distance_mm, landing_um=-z).reading_mm
        )
        for r, z in zip(one, (a.landing_um for a in judged(*one).readings), strict=True)
    )
    first, second = judged(*one), judged(*other)
    mirrored = {Verdict.OUT_SHORT: Verdict.OUT_DEEP, Verdict.OUT_DEEP: Verdict.OUT_SHORT}
    assert first.bodies[0].verdict in OUT
    for unit, image in zip(units(first).values(), units(second).values(), strict=True):
        assert image.error_um == pytest.approx(-unit.error_um, abs=0.15 * unit.sd_um)
        assert image.low_um == pytest.approx(-unit.high_um, abs=0.4 * unit.sd_um)
        assert image.verdict is mirrored.get(unit.verdict, unit.verdict)
    for a, b in zip(first.readings, second.readings, strict=True):
        assert b.landing_um == pytest.approx(-a.landing_um, abs=1e-6)
        assert b.weight == pytest.approx(a.weight, abs=0.1)


# --- promises of every answer ----------------------------------------------------------------------------


@st.composite
def benches(draw: st.DrawFn) -> Prep:
    """Small preps of any mood: one or two bodies, one to three lenses, faults, blunders, infinity, gauges."""
    count = draw(st.integers(1, 10))
    lenses = st.sampled_from([("L25", 25.0), ("L50", 50.0), ("L75", 75.0)])
    taken = []
    for row in range(count):
        lens, focal_mm = draw(lenses)
        taken.append(
            reading(
                row,
                body=draw(st.sampled_from(["B1", "B2"])),
                lens=lens,
                focal_mm=focal_mm,
                distance_mm=draw(st.sampled_from([3 * FOOT_MM, 12 * FOOT_MM, FAR_MM])),
                fnumber=draw(st.sampled_from([2.0, 4.0])),
                landing_um=draw(st.floats(-400, 0) | st.floats(-20, 20)),
                separation_mm=draw(st.sampled_from([None, 0.0, 15.0])),
            )
        )
    gauge = draw(st.none() | st.floats(-40, 40))
    bodies = {} if gauge is None else {"B1": BodyKnowledge(gauge_um=gauge, gauge_sd_um=3.0)}
    return prep(*taken, bodies=bodies, tolerance_um=draw(st.sampled_from([5.0, 10.0, 25.0])))


@pytest.mark.slow
@settings(max_examples=examples(6), deadline=None)
@given(benches())
def test_every_answer_keeps_its_promises(subject: Prep) -> None:
    answer = judge(subject)
    assert [r.row for r in answer.readings] == [r.row for r in subject.readings]
    assert {b.name for b in answer.bodies} >= {r.body for r in subject.readings}
    assert {lens.name for lens in answer.lenses} == {r.lens for r in subject.readings}
    for unit in units(answer).values():
        assert unit.low_um <= unit.error_um <= unit.high_um
        assert unit.sd_um > 0
        assert 0 <= unit.p_out <= 1
        if unit.verdict is Verdict.IN_TOLERANCE:
            assert unit.p_out <= 0.05
            assert abs(unit.error_um) < unit.tolerance_um
            assert unit.sd_um < unit.tolerance_um / 2
        if unit.verdict in OUT:
            assert unit.p_out >= 0.8
            assert (unit.error_um < 0) == (unit.verdict is Verdict.OUT_SHORT)
    for p in _probabilities(answer):
        assert 0 <= p <= 1
    assert all(0 < r.weight <= 1 for r in answer.readings)
    assert list(answer.causes) == sorted(answer.causes, key=lambda cause: -cause.probability)
    assert answer.headline.endswith(".")


def _probabilities(answer: Answer) -> Iterator[float]:
    yield from (setup.p_out for setup in answer.setups)
    yield from (lens.p_scale_out for lens in answer.lenses)
    yield from (cause.probability for cause in answer.causes)


@pytest.mark.slow
def test_the_same_readings_and_seed_give_the_same_answer() -> None:
    subject = prep(*bench(bodies_um={"B1": -14.0}, noise_um=4.0))
    assert judge(subject, seed=7) == judge(subject, seed=7)
    assert judge(subject, seed=7) != judge(subject, seed=8)


@pytest.mark.slow
def test_another_seed_changes_no_error_and_no_probability_by_much() -> None:
    subject = prep(*bench(bodies_um={"B1": -22.0}, noise_um=3.0))
    one, other = (judge(subject, seed=seed) for seed in (1, 2))
    for unit, again in zip(units(one).values(), units(other).values(), strict=True):
        assert again.error_um == pytest.approx(unit.error_um, abs=0.1 * unit.sd_um)
        assert again.p_out == pytest.approx(unit.p_out, abs=0.04)
    for a, b in zip(one.setups, other.setups, strict=True):
        assert a.p_out == pytest.approx(b.p_out, abs=0.05)


def test_no_blunder_of_three_marks_moves_the_verdict() -> None:
    # Marks at 3 ft stand 3 inches apart (common practice, no source).
    taken = bench(bodies_um={"B1": -25.0}, noise_um=3.0)
    near = next(i for i, r in enumerate(taken) if r.distance_mm < 1000 and r.lens == "L75")
    wrong = replace(taken[near], reading_mm=taken[near].reading_mm + 9 * 25.4)
    clean = judged(*taken, lenses=KNOWN_LENSES)
    answer = judged(*(wrong if i == near else r for i, r in enumerate(taken)), lenses=KNOWN_LENSES)
    assert abs(answer.bodies[0].error_um - clean.bodies[0].error_um) < clean.bodies[0].sd_um
    assert answer.bodies[0].verdict is clean.bodies[0].verdict is Verdict.OUT_SHORT
    assert int(np.argmin([r.weight for r in answer.readings])) == near
    assert answer.readings[near].weight < 0.05
    assert answer.readings[near].landing_um > 300


# --- verdicts --------------------------------------------------------------------------------------------


def test_a_fine_bench_that_is_well_known_is_in_tolerance() -> None:
    answer = judged(*bench(noise_um=2.0, repeats=3), lenses=KNOWN_LENSES)
    assert {unit.verdict for unit in units(answer).values()} == {Verdict.IN_TOLERANCE}
    assert answer.headline == "Nothing is out: all 4 units are within ±10 µm."
    assert answer.next == ()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_nothing_is_called_out_in_a_fine_scene(seed: int) -> None:
    rng = np.random.default_rng(1000 + seed)
    truth, _ = draw_scene(rng, "fine")
    readings, _ = read_all(rng, truth)
    answer = judge(Prep(readings=readings))
    assert not [unit.name for unit in units(answer).values() if unit.verdict in OUT]
    assert not [cause for cause in answer.causes if cause.probability >= 0.8]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["body", "lens"])
@pytest.mark.parametrize("seed", range(3))
def test_a_faulty_unit_is_never_passed(seed: int, kind: str) -> None:
    rng = np.random.default_rng(2000 + seed)
    truth, name = draw_scene(rng, kind)
    readings, _ = read_all(rng, truth)
    assert units(judge(Prep(readings=readings)))[kind, name].verdict is not Verdict.IN_TOLERANCE


def test_a_unit_that_no_reading_speaks_of_is_not_checked() -> None:
    spare = LensKnowledge(focal_lengths_mm=(35.0,), fnumber=2.0, separation_mm=0.0)
    answer = judged(*bench(), lenses={"L35": spare}, bodies={"B9": BodyKnowledge()})
    found = units(answer)
    assert found["lens", "L35"].verdict is Verdict.NOT_CHECKED
    assert found["body", "B9"].verdict is Verdict.NOT_CHECKED
    assert not [c for c in answer.causes if c.unit in ("L35", "B9")]


def test_a_body_is_measured_by_its_own_tolerance() -> None:
    taken = bench(bodies_um={"B1": 14.0, "B2": 14.0}, noise_um=2.0, repeats=3)
    gauged = BodyKnowledge(gauge_um=14.0, gauge_sd_um=2.0)
    answer = judged(*taken, bodies={"B1": gauged, "B2": replace(gauged, tolerance_um=25.0)})
    strict, wide = answer.bodies
    assert (strict.tolerance_um, wide.tolerance_um) == (10.0, 25.0)
    assert strict.verdict is Verdict.OUT_DEEP
    assert wide.verdict is Verdict.IN_TOLERANCE


def test_one_reading_only_is_judged_and_says_what_it_cannot_tell() -> None:
    answer = judged(reading(landing_um=-10.0))
    assert units(answer)["body", "B1"].verdict not in (Verdict.IN_TOLERANCE, *OUT)
    assert "single_reading" in [one.code for one in answer.notices]
    assert answer.bodies[0].error_um < answer.lenses[0].error_um < 0  # a body is off more often than a lens


@pytest.mark.parametrize("bodies", [("B1", "B2"), ("B2", "B1")])
def test_the_number_that_no_reading_beats_is_held_against_the_tolerance_of_its_own_body(
    bodies: tuple[str, str],
) -> None:
    taken = bench(bodies_um=dict.fromkeys(bodies, 0.0))
    known = {"B1": BodyKnowledge(tolerance_um=1.0), "B2": BodyKnowledge(tolerance_um=200.0)}
    answer = judged(*taken, bodies=known)
    assert [one.unit for one in answer.notices if one.code == "datum_limit"] == ["B1"]


def test_unknown_lenses_are_warned_of_with_the_number_that_no_reading_beats() -> None:
    answer = judged(*bench(bodies_um={"B1": -5.0}))
    assert [one.unit for one in answer.notices if one.code == "datum_limit"] == ["B1"]
    known = judged(*bench(), lenses=KNOWN_LENSES)
    assert "datum_limit" not in [one.code for one in known.notices]


def test_a_lens_read_at_infinity_only_has_the_scale_it_came_with() -> None:
    (lens,) = judged(reading(distance_mm=FAR_MM, landing_um=-20.0)).lenses
    assert lens.scale_permille == 0.0
    assert lens.scale_sd_permille == pytest.approx(STARTING_LEVELS[Effect.SCALE].total_sd, rel=0.1)
    assert lens.p_scale_out == 0.0


def test_nothing_at_all_is_refused() -> None:
    with pytest.raises(InferenceError, match="nothing to judge"):
        judge(Prep(readings=()))


def test_a_reading_inside_the_near_limit_is_refused() -> None:
    with pytest.raises(OpticsError, match="inside the near limit"):
        judged(replace(reading(), reading_mm=120.0))


# --- odd lenses ------------------------------------------------------------------------------------------


def test_a_zoom_is_judged_as_one_lens() -> None:
    ends = [("Z", f, d) for f in (28.0, 76.0) for d in (6 * FOOT_MM, 12 * FOOT_MM)]
    primes = [(n, f, d) for n, f in SET_MM.items() for d in (6 * FOOT_MM, 12 * FOOT_MM)]
    taken = [
        reading(
            i, lens=n, focal_mm=f, distance_mm=d, landing_um=-35.0 if n == "Z" else 0.0, focus_design=None
        )
        for i, (n, f, d) in enumerate((ends + primes) * 2)
    ]
    answer = judged(*taken, bodies={"B1": BodyKnowledge(gauge_um=0.0, gauge_sd_um=2.0)})
    zoom = next(lens for lens in answer.lenses if lens.name == "Z")
    assert zoom.verdict is Verdict.OUT_SHORT
    assert Notice("internal_focus", "Z") in answer.notices


def test_a_reading_of_a_zoom_is_proposed_with_what_the_zoom_is_set_to() -> None:
    taken = [reading(0, lens="H50", focal_mm=50.0, distance_mm=6 * FOOT_MM, landing_um=3.0)]
    zoom = LensKnowledge(fnumber=2.8, focal_lengths_mm=(28.0, 76.0))
    answer = judged(*taken, bodies={"B1": BodyKnowledge()}, lenses={"Z": zoom})
    settings = {one.lens: one.focal_mm for one in answer.next}
    assert settings.get("H50") is None
    assert settings["Z"] in (28.0, 76.0)


def test_an_anamorphic_read_on_both_axes_is_one_lens() -> None:
    taken = [
        reading(
            i,
            lens="A",
            focal_mm=75.0 if axis is Axis.VERTICAL else 37.5,
            distance_mm=d,
            landing_um=-30.0 + (4.0 if axis is Axis.VERTICAL else -4.0),
        )
        for i, (axis, d) in enumerate(
            (a, d) for _ in range(3) for a in Axis for d in (6 * FOOT_MM, 12 * FOOT_MM)
        )
    ]
    named = [
        replace(r, focal_mm=75.0, squeeze=2.0, axis=Axis.VERTICAL if r.focal_mm == 75.0 else Axis.HORIZONTAL)
        for r in taken
    ]
    answer = judged(*named, bodies={"B1": BodyKnowledge(gauge_um=0.0, gauge_sd_um=2.0)})
    (lens,) = answer.lenses
    assert lens.error_um == pytest.approx(-28.0, abs=4.0)  # between the axes, drawn to the prior a little
    assert [r.landing_um for r in answer.readings[:4]] == pytest.approx(
        [-26.0, -26.0, -34.0, -34.0], abs=1e-6
    )
    assert lens.verdict is Verdict.OUT_SHORT


def test_a_lens_that_focuses_inside_is_known_less_well() -> None:
    near = [reading(i, landing_um=-30.0, distance_mm=3 * FOOT_MM) for i in range(4)]
    inside = [replace(r, focus_design=FocusDesign.INTERNAL) for r in near]
    gauge = {"B1": BodyKnowledge(gauge_um=0.0, gauge_sd_um=1.0)}
    whole, uncertain = (judged(*taken, bodies=gauge).lenses[0] for taken in (near, inside))
    assert abs(uncertain.error_um) < 0.8 * abs(whole.error_um)  # the landing's size says less of it


# --- what to read next -----------------------------------------------------------------------------------


def test_a_kit_that_was_never_read_says_where_to_begin() -> None:
    kit = {
        name: LensKnowledge(focal_lengths_mm=(f,), fnumber=2.0, separation_mm=0.0)
        for name, f in SET_MM.items()
    }
    answer = judge(Prep(readings=(), bodies={"B1": BodyKnowledge()}, lenses=kit))
    assert {unit.verdict for unit in units(answer).values()} == {Verdict.NOT_CHECKED}
    assert answer.headline == "Nothing is read yet of 4 units."
    assert len(answer.next) == 3
    assert (answer.causes, answer.setups, answer.readings) == ((), (), ())


# --- the example bench -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def example() -> tuple[Answer, dict[str, Any]]:
    with (EXAMPLE / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    taken = [
        Reading(
            row=i,
            line=i + 2,
            body=row["body"],
            lens=row["lens"],
            focal_mm=float(row["focal_length_mm"]),
            fnumber=float(row["f_number"]),
            distance_mm=length_to_mm(row["distance"]),
            reading_mm=length_to_mm(row["reading"]),
            operator=row["operator"],
            setup=row["setup"],
        )
        for i, row in enumerate(rows)
    ]
    truth = json.loads((EXAMPLE / "truth.json").read_text(encoding="utf-8"))
    return judge(Prep(readings=tuple(taken))), truth


@pytest.mark.slow
def test_the_example_benchs_body_is_called_out_by_about_its_true_error(
    example: tuple[Answer, dict[str, Any]],
) -> None:
    answer, truth = example
    (body,) = answer.bodies
    true_um = truth["bodies"]["B1"]["flange_error_um"]
    assert body.verdict is Verdict.OUT_SHORT
    assert body.low_um < true_um < body.high_um
    assert body.error_um == pytest.approx(true_um, abs=6)
    assert (answer.causes[0].kind, answer.causes[0].unit) == ("body", "B1")
    assert answer.headline.startswith("Body B1 lands short: the sensor sits too close by ")


def test_no_healthy_lens_scale_or_tape_of_the_example_bench_is_called_out(
    example: tuple[Answer, dict[str, Any]],
) -> None:
    answer, truth = example
    for lens in answer.lenses:
        true = truth["lenses"][lens.name]
        assert lens.verdict not in OUT
        assert lens.low_um < true["flange_error_um"] < lens.high_um
        assert lens.p_scale_out < 0.5
        assert abs(lens.scale_permille - 1e3 * true["scale_error"]) < 3 * lens.scale_sd_permille
    for setup in answer.setups:
        assert abs(setup.error_mm - truth["setups"][setup.name]["tape_error_mm"]) < 3 * setup.sd_mm
        assert setup.p_out < 0.5


def test_the_blunders_of_the_example_bench_are_doubted(example: tuple[Answer, dict[str, Any]]) -> None:
    answer, truth = example
    weights = {r.row: r.weight for r in answer.readings}
    doubted = sorted(weights, key=weights.__getitem__)[: len(truth["blunder_rows"]) + 2]
    assert set(truth["blunder_rows"]) <= set(doubted)
    assert max(weights[row] for row in truth["blunder_rows"]) < 0.3


# --- units as they were before an adjustment ------------------------------------------------------------


def moved_bench() -> tuple[list[Reading], dict[str, BodyKnowledge]]:
    """B1 was 40 µm short, was moved, and lands on; nothing has been read at 12 ft since."""
    before = [replace(one, body="B1 before") for one in bench(bodies_um={"B1": -40.0}, noise_um=2.0)]
    after = [one for one in bench(noise_um=2.0, seed=5) if one.distance_mm < FAR_MM]
    known = {"B1 before": BodyKnowledge(past_of="B1"), "B1": BodyKnowledge()}
    taken = [*before, *(replace(one, row=one.row + 100, line=one.line + 100) for one in after)]
    return [replace(one, setup=f"at {one.distance_mm:.0f}") for one in taken], known


def test_what_was_before_an_adjustment_is_known_and_not_spoken_of_in_the_present() -> None:
    taken, known = moved_bench()
    answer = judged(*taken, bodies=known, lenses=KNOWN_LENSES)
    assert [body.name for body in answer.bodies] == ["B1"]
    (was,) = answer.past_bodies
    assert (was.name, was.verdict) == ("B1 before", Verdict.OUT_SHORT)
    assert was.error_um == pytest.approx(-40, abs=4)
    said = [answer.headline, *(one.unit for one in answer.notices), *(cause.unit for cause in answer.causes)]
    assert [text for text in said if "B1 before" in text] == []
    # The same readings without the word that it is past: the old state is called out.
    told = judged(*taken, bodies={"B1 before": BodyKnowledge(), "B1": BodyKnowledge()}, lenses=KNOWN_LENSES)
    assert "Body B1 before lands short" in told.headline


def test_the_next_readings_ask_only_for_what_can_still_be_read_at_the_distances_taped_before() -> None:
    taken, known = moved_bench()
    offered = possible_readings(prep(*taken, bodies=known), distances_mm=())
    assert {one.body for one in offered} == {"B1"}
    assert {one.distance_mm for one in offered} == {one.distance_mm for one in taken}
    first = next(iter(SET_MM))
    lenses = {"a lens before": LensKnowledge(past_of=first), first: LensKnowledge()}
    old = [replace(one, lens="a lens before") if one.lens == first else one for one in bench()]
    offered = possible_readings(prep(*old, lenses=lenses), distances_mm=())
    assert {one.lens for one in offered} == set(SET_MM)
