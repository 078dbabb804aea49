"""The simulated bench: optics by hand, honest rounding, stops that bind, repeated chance, complete truth."""

import ast
import csv
import io
import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[3]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from benchmarks.worlds.bench.glass import Glass, InnerFocus, chart_distance_mm, image_distance_mm  # noqa: E402
from benchmarks.worlds.bench.house import HouseLife, live  # noqa: E402
from benchmarks.worlds.bench.marks import (  # noqa: E402
    EXACT,
    QUARTER_INCH,
    TO_EIGHTHS,
    TO_HALVES,
    TO_MARKS,
    TO_QUARTERS,
    Grain,
    engraved_mm,
    read_off_mm,
    written,
)
from benchmarks.worlds.bench.person import Person, Slips, View, slipped_mm, stop_um, stops_um  # noqa: E402
from benchmarks.worlds.bench.prep import Habits, Planned, Told  # noqa: E402
from benchmarks.worlds.bench.scene import (  # noqa: E402
    NO_SPREAD,
    USUAL_SIZES,
    Bench,
    Fault,
    Scene,
    Spreads,
    bench_of,
    draw_bench,
    draw_prep,
    drawn,
    stream,
)
from benchmarks.worlds.bench.scoring import calibration, causes, estimates, tally, turned_wrongly  # noqa: E402
from benchmarks.worlds.bench.units import Body  # noqa: E402
from benchmarks.worlds.bench.worlds import REPORTED_FROM, WORLDS  # noqa: E402

from shimwise.lengths import length_to_mm  # noqa: E402

FOOT = 304.8
PERFECT = Person(name="Eye", threshold=0.0, hand_deg=0.0)
IDEAL = Scene(persons=(PERFECT,), spreads=NO_SPREAD, habits=Habits(grain=EXACT))
THIN_50 = Glass(focal_mm=50, separation_mm=0, near_mm=600)


def drawn_ideal(**changes: object) -> Bench:
    return draw_bench(replace(IDEAL, **changes), world="ideal", seed=1)  # type: ignore[arg-type]


def readings_mm(bench: Bench) -> list[float]:
    return [length_to_mm(row["reading"]) for row in csv.DictReader(io.StringIO(bench.readings_csv))]


def distances_mm(bench: Bench) -> list[float]:
    return [length_to_mm(row["distance"]) for row in csv.DictReader(io.StringIO(bench.readings_csv))]


# -- optics ------------------------------------------------------------------------------------------------


def test_a_thin_lens_by_hand() -> None:
    # f = 50, chart 1000 mm from the sensor: u + v = 1000, u·v = 50·1000; v² − 1000·v + 50 000 = 0
    assert image_distance_mm(focal_mm=50, separation_mm=0, distance_mm=1000) == pytest.approx(
        500 - math.sqrt(200_000), rel=1e-14
    )
    assert image_distance_mm(focal_mm=50, separation_mm=0, distance_mm=1000) == pytest.approx(
        52.786405, abs=1e-6
    )


def test_life_size_is_two_focal_lengths_on_either_side() -> None:
    assert image_distance_mm(focal_mm=50, separation_mm=10, distance_mm=210) == pytest.approx(100)
    with pytest.raises(ValueError, match="cannot be sharp"):
        image_distance_mm(focal_mm=50, separation_mm=10, distance_mm=209)


def test_the_chart_is_where_its_picture_says() -> None:
    for distance in (400.0, 914.4, 5000.0):
        image = image_distance_mm(focal_mm=35, separation_mm=-8, distance_mm=distance)
        assert chart_distance_mm(focal_mm=35, separation_mm=-8, image_mm=image) == pytest.approx(distance)


def test_a_sensor_20_um_too_deep_lands_deep_by_hand() -> None:
    # The lens needs 2.786405 − 0.020 mm of extension: v = 52.766405, u = 50·v/2.766405 = 953.7; R = u + v.
    extension = 500 - math.sqrt(200_000) - 50 - 0.020
    by_hand = (50 + extension) + 50 * (50 + extension) / extension
    ring = THIN_50.sharp_ring_mm(chart_mm=1000, error_um=20)
    assert ring == pytest.approx(by_hand, rel=1e-10)
    assert ring == pytest.approx(1006.4, abs=0.1)
    assert THIN_50.sharp_ring_mm(chart_mm=1000, error_um=-20) < 1000


def test_lens_body_and_eye_are_one_sum_at_the_sensor() -> None:
    together = readings_mm(
        drawn_ideal(bodies=1, focals_mm=(50,), faults=(Fault(kind="body", size=20, signed=True),))
    )
    lens = readings_mm(
        drawn_ideal(bodies=1, focals_mm=(50,), faults=(Fault(kind="lens", size=20, signed=True),))
    )
    eye = readings_mm(
        drawn_ideal(bodies=1, focals_mm=(50,), persons=(replace(PERFECT, offset_nc=0.5),))
    )  # half of N·c = 20 µm at f/2 with 20 µm
    assert together == lens == pytest.approx(eye, abs=1e-5)
    assert all(
        reading > distance for reading, distance in zip(eye, distances_mm(drawn_ideal()), strict=False)
    )


def test_a_scale_error_is_nothing_at_infinity_and_grows_with_extension() -> None:
    assert math.isinf(THIN_50.sharp_ring_mm(chart_mm=math.inf, error_um=0, scale_permille=-10))

    def lands_um(chart_mm: float) -> float:
        ring = THIN_50.sharp_ring_mm(chart_mm=chart_mm, error_um=0, scale_permille=10)
        needed = image_distance_mm(focal_mm=50, separation_mm=0, distance_mm=chart_mm)
        return 1000 * (needed - image_distance_mm(focal_mm=50, separation_mm=0, distance_mm=ring))

    assert lands_um(1000) == pytest.approx(27.86 / 1.01, abs=0.01)
    assert lands_um(4000) < lands_um(2000) < lands_um(1000)


@pytest.mark.parametrize("inner", [None, InnerFocus()])
def test_a_true_bench_reads_what_is_taped(inner: InnerFocus | None) -> None:
    bench = drawn_ideal(inner=inner, distances_mm=(3 * FOOT, 7 * FOOT, math.inf))
    assert readings_mm(bench) == pytest.approx(distances_mm(bench), abs=2e-6)


def test_internal_focus_answers_a_flange_error_by_its_own_law() -> None:
    glass = Glass(focal_mm=85, separation_mm=20, near_mm=850, inner=InnerFocus())
    ring = glass.sharp_ring_mm(chart_mm=914.4, error_um=30)
    focal, separation = glass.at_ring(ring)
    true_image = image_distance_mm(focal_mm=focal, separation_mm=separation, distance_mm=914.4)
    ring_image = image_distance_mm(focal_mm=focal, separation_mm=separation, distance_mm=ring)
    assert true_image - ring_image == pytest.approx(0.030, abs=1e-9)
    plain = replace(glass, inner=None).sharp_ring_mm(chart_mm=914.4, error_um=30)
    # To first order an error at the sensor moves the chart by 1/m² of it, with m = v/f − 1 at that setting.
    focal, separation = glass.at_ring(914.4)
    own = image_distance_mm(focal_mm=focal, separation_mm=separation, distance_mm=914.4) / focal - 1
    infinite = image_distance_mm(focal_mm=85, separation_mm=20, distance_mm=914.4) / 85 - 1
    assert (ring - 914.4) / (plain - 914.4) == pytest.approx((infinite / own) ** 2, rel=0.02)
    assert 1.4 < (infinite / own) ** 2 < 1.6  # what values at infinity cost at 3 ft


def outside(name: str) -> list[dict[str, str]]:
    with (ROOT / "tests/reference" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_ray_traced_lenses_show_the_same_ring() -> None:
    """Paraxial traces of whole prescriptions, by other libraries: tests/reference/README.md, item 1."""
    rows = outside("optics_flange.csv")
    assert len(rows) > 200
    for row in rows:
        focal, separation = float(row["f_mm"]), float(row["H_mm"])
        glass = Glass(focal_mm=focal, separation_mm=separation, near_mm=4 * focal + separation + 1)
        ring = glass.sharp_ring_mm(chart_mm=float(row["D_mm"]), error_um=float(row["flange_error_um"]))
        assert ring == pytest.approx(float(row["R_par_mm"]), rel=3e-6)


# -- stops, warmth, tape ------------------------------------------------------------------------------------


def test_the_ring_stops_at_infinity_and_at_its_near_end() -> None:
    assert math.isinf(THIN_50.sharp_ring_mm(chart_mm=math.inf, error_um=18))
    assert THIN_50.sharp_ring_mm(chart_mm=math.inf, error_um=-18) == pytest.approx(2500 / 0.018, rel=0.01)
    assert THIN_50.sharp_ring_mm(chart_mm=600, error_um=-50) == 600


def test_at_infinity_only_every_reading_is_inf() -> None:
    for seed in range(6):
        assert {row.reading for row in WORLDS["inf_only_body_18"].bench(seed).rows} == {"INF"}


def test_a_cold_body_is_short_and_warms() -> None:
    body = Body(name="A", cold_kelvin=10)
    assert body.flange_error_at_um(0) == pytest.approx(-12.0, abs=0.05)  # 52 mm · 23.1e-6/K · 10 K
    assert body.flange_error_at_um(25) == pytest.approx(-12.0 / math.e, abs=0.05)


def test_tape_and_witness_mark_are_in_object_space() -> None:
    tape = drawn_ideal(
        bodies=1, distances_mm=(3 * FOOT,), faults=(Fault(kind="setup", size=25.4, signed=True),)
    )
    assert readings_mm(tape) == pytest.approx([3 * FOOT + 25.4] * len(tape.rows), abs=2e-6)
    mark = drawn_ideal(bodies=1, faults=(Fault(kind="body_reference", size=8, signed=True),))
    assert readings_mm(mark) == pytest.approx([mm + 8 for mm in distances_mm(mark)], abs=2e-6)


# -- reading the ring ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("grain", [TO_MARKS, TO_HALVES, TO_QUARTERS, TO_EIGHTHS])
@pytest.mark.parametrize("focal_mm", [18, 50, 100])
def test_granularity_is_respected(grain: Grain, focal_mm: float) -> None:
    marks = engraved_mm(focal_mm)
    glass = Glass(focal_mm=focal_mm, separation_mm=0, near_mm=marks[0])
    allowed = {
        round(near + (far - near) * part / grain.parts, 6)
        for near, far in pairwise(marks[:-1])
        for part in range(grain.parts + 1)
    }
    for ring in np.geomspace(marks[0] * 1.001, marks[-2] * 0.999, 300).tolist():
        read = read_off_mm(ring, marks_mm=marks, glass=glass, grain=grain)
        assert round(read, 6) in allowed
        near, far = next((near, far) for near, far in pairwise(marks) if near <= ring < far)
        turn = (glass.ring_share(near) - glass.ring_share(ring)) / (
            glass.ring_share(near) - glass.ring_share(far)
        )
        assert abs((read - near) / (far - near) - turn) <= 0.5 / grain.parts + 1e-9


def test_on_a_mark_the_mark_is_read_and_past_the_last_infinity() -> None:
    marks = engraved_mm(50)
    for mark in marks[:-1]:
        assert read_off_mm(mark, marks_mm=marks, glass=THIN_50, grain=TO_QUARTERS) == pytest.approx(mark)
    assert math.isinf(read_off_mm(1e6, marks_mm=marks, glass=THIN_50, grain=TO_QUARTERS))
    # 1000 mm is 157.48 quarter inches
    assert read_off_mm(1000, marks_mm=marks, glass=THIN_50, grain=QUARTER_INCH) == pytest.approx(157 * 6.35)


def test_every_usual_chart_is_on_an_engraved_mark() -> None:
    for focal_mm in (18, 25, 35, 50, 75, 100):
        for feet in (3, 6):
            assert min(abs(mark - feet * FOOT) for mark in engraved_mm(focal_mm)) < 1e-6


# -- the person ---------------------------------------------------------------------------------------------

VIEW = View(f_number=2, focal_over_image=1, um_per_degree=10)


def test_the_eye_places_focus_within_tenths_of_n_c() -> None:
    rng = stream(1, "eye")
    stops = [stop_um(Person(name="Kim"), VIEW, readings_before=0, rng=rng) for _ in range(4000)]
    assert 0.1 < np.std(stops) / 40 < 0.3
    assert abs(np.mean(stops)) < 0.5
    short = [
        stop_um(Person(name="Kim", offset_nc=-0.5), VIEW, readings_before=0, rng=rng) for _ in range(4000)
    ]
    assert np.mean(short) == pytest.approx(-20, abs=0.5)


def test_tired_eyes_wander_more_and_nudged_repeats_less() -> None:
    def spread(person: Person, before: int) -> float:
        rng = stream(2, "tired")
        goes = [stops_um(person, VIEW, repeats=2, readings_before=before, rng=rng) for _ in range(2000)]
        return float(np.std([first - second for first, second in goes]))

    fresh = spread(Person(name="Kim"), 0)
    assert spread(Person(name="Kim", tires_per_100=1.0), 100) == pytest.approx(2 * fresh, rel=0.1)
    assert spread(Person(name="Kim", nudges=1.0), 0) < 0.4 * fresh


@pytest.mark.parametrize(
    ("slips", "read", "written"),
    [
        (Slips(foot=1), 6 * FOOT, {5 * FOOT, 7 * FOOT}),
        (Slips(inch=1), 6 * FOOT, {6 * FOOT - 25.4, 6 * FOOT + 25.4}),
        (Slips(swapped=1), 35.5 * 25.4, {134.5 * 25.4}),  # 2' 11 1/2" written 11' 2 1/2"
        (Slips(wrong_mark=1), 37 * 25.4, {35 * 25.4}),  # an inch past 3' written an inch before it
    ],
)
def test_slips_of_the_pen(slips: Slips, read: float, written: set[float]) -> None:
    marks = engraved_mm(25)
    got = {
        round(slipped_mm(read, read, slips=slips, marks_mm=marks, unit="ft", rng=stream(n, "slip"))[0], 6)
        for n in range(20)
    }
    assert got == {round(mm, 6) for mm in written}


# -- worlds -------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", WORLDS)
def test_a_world_repeats_by_its_seed_and_its_truth_is_complete(name: str) -> None:
    bench = WORLDS[name].bench(5)
    again, other = WORLDS[name].bench(5), WORLDS[name].bench(6)
    assert (bench.readings_csv, bench.kit_toml, bench.truth) == (
        again.readings_csv,
        again.kit_toml,
        again.truth,
    )
    assert bench.truth.bodies_um != other.truth.bodies_um or bench.truth.causes != other.truth.causes
    truth = bench.truth
    assert {row.body for row in bench.rows} == set(truth.bodies_um)
    assert {row.lens for row in bench.rows} <= set(truth.lenses_um)
    assert {row.setup for row in bench.rows} <= set(truth.setups_mm)
    assert {row.operator for row in bench.rows} <= set(truth.offsets_nc)
    assert len(truth.pairs_um) == len(truth.bodies_um) * len(truth.lenses_um)
    assert all(um == truth.bodies_um[b] + truth.lenses_um[x] for (b, x), um in truth.pairs_um.items())
    assert len(truth.differences_um) == math.comb(len(truth.bodies_um), 2)
    assert WORLDS[name].can_part is truth.identifiable or name == "inf_only_body_18"
    json.dumps(truth.as_json())


@pytest.mark.parametrize("kind", USUAL_SIZES)
def test_a_fault_is_in_the_truth_at_its_size(kind: str) -> None:
    truth = draw_bench(Scene(faults=(Fault(kind=kind),)), world="w", seed=3).truth  # type: ignore[arg-type]
    (cause,) = truth.causes
    assert abs(cause.size) == USUAL_SIZES[kind]  # type: ignore[index]
    held = {
        "body": truth.bodies_um,
        "lens": truth.lenses_um,
        "set": truth.sets_um,
        "scale": truth.scales_permille,
        "setup": truth.setups_mm,
        "body_reference": truth.marks_mm,
        "eye": truth.offsets_nc,
    }[kind]
    assert held[cause.unit] == cause.size


def test_switching_an_effect_leaves_the_units_as_they_were() -> None:
    plain, cold = (draw_bench(Scene(cold_kelvin=k), world="w", seed=3) for k in (0.0, 15.0))
    assert plain.truth == replace(cold.truth, slips=plain.truth.slips)
    assert plain.readings_csv != cold.readings_csv


@pytest.mark.parametrize("shape", ["normal", "uniform", "two_sided"])
def test_every_shape_has_the_spread_asked_for(shape: str) -> None:
    values = drawn(20_000, sd=7.0, shape=shape, rng=stream(1, shape))  # type: ignore[arg-type]
    assert np.std(values) == pytest.approx(7.0, rel=0.02)
    assert abs(np.mean(values)) < 0.2


def test_what_is_told_is_in_the_kit() -> None:
    told = Told(marks=True, separations=True, body_gauge_sd_um=3.0, lens_history_sd_um=5.0, tolerance_um=8.0)
    kit = draw_bench(Scene(told=told, spreads=Spreads()), world="w", seed=1).kit_toml
    for word in (
        "tolerance_um = 8",
        "gauge_sd_um = 3",
        "history_sd_um = 5",
        "principal_separation_mm",
        "INF",
    ):
        assert word in kit
    assert WORLDS["healthy_nothing_told"].bench(1).kit_toml == ""


def test_a_house_lives_on_with_the_same_units() -> None:
    preps = list(live(HouseLife(preps=12, knocks_a_year=1.0), seed=4))
    assert [prep.day for prep in preps] == sorted(prep.day for prep in preps)
    assert len({body for prep in preps for body in prep.bench.truth.bodies_um}) > 6
    assert any(prep.knocked_before for prep in preps)
    assert any(prep.adjusted_um for prep in preps)
    for prep in preps:
        for name, change in prep.adjusted_um.items():
            assert abs(prep.bench.truth.bodies_um[name]) > 10
            assert abs(prep.bench.truth.bodies_um[name] + change) < 10
    assert [p.bench.readings_csv for p in live(HouseLife(preps=3), seed=4)] == [
        p.bench.readings_csv for p in live(HouseLife(preps=3), seed=4)
    ]
    assert REPORTED_FROM == 10_000


def test_the_world_knows_nothing_of_the_judge() -> None:
    """Only how lengths are written comes from the product; the command that runs a judge fetches it late."""
    modules = [path for path in (ROOT / "benchmarks/worlds/bench").glob("*.py") if path.stem != "__main__"]
    assert len(modules) > 8
    for module in modules:
        for node in ast.walk(ast.parse(module.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in names:
                assert name.split(".")[0] != "shimwise" or name == "shimwise.lengths", module.name
                assert not name.startswith("benchmarks") or name.startswith("benchmarks.worlds.bench")


def test_a_metric_lens_is_read_in_metres() -> None:
    marks = engraved_mm(50, unit="m")
    assert written(
        read_off_mm(934, marks_mm=marks, glass=THIN_50, grain=TO_HALVES), unit="m", grain=TO_HALVES
    ) == ("925 mm")
    centimetres = Grain(of="mm", step_mm=10)
    read = read_off_mm(934, marks_mm=marks, glass=THIN_50, grain=centimetres)
    assert written(read, unit="m", grain=centimetres) == "930 mm"
    assert written(1800.0, unit="m", grain=TO_MARKS) == "1.800 m"


def test_persons_take_turns_and_cells_are_left_out() -> None:
    two = (PERFECT, replace(PERFECT, name="Other"))
    turns = drawn_ideal(persons=two, habits=Habits(persons_share="turns", grain=EXACT))
    assert len(turns.rows) == 72
    assert {row.operator for row in turns.rows if row.lens == "P18"} == {"Eye"}
    fewer = drawn_ideal(habits=Habits(cells_left_out=0.5, grain=EXACT))
    assert 18 < len(fewer.rows) < 54


def test_a_plan_is_read_line_by_line() -> None:
    prep, _ = draw_prep(Scene(), seed=1)
    far, near = prep.setups[1], prep.setups[0]
    plan = (
        Planned(body="A-01", lens="P18", setup=near.name, repeats=4),
        Planned(body="A-01", lens="P25", setup=far.name, repeats=2),
    )
    bench = bench_of(replace(prep, plan=plan), world="plan", seed=1)
    assert [(row.lens, row.distance) for row in bench.rows] == [("P18", "3'")] * 4 + [("P25", "6'")] * 2
    assert bench.truth.pairs_read == {("A-01", "P18"), ("A-01", "P25")}
    assert len(bench.truth.pairs_um) == 12


def test_a_name_on_the_barrel_does_not_move_the_ring() -> None:
    named_50 = drawn_ideal(
        focals_mm=(50,), misnamed_by=1.024, faults=(Fault(kind="body", size=20, signed=True),)
    )
    true_50 = drawn_ideal(focals_mm=(50,), faults=(Fault(kind="body", size=20, signed=True),))
    moved = [read - tape for read, tape in zip(readings_mm(named_50), distances_mm(named_50), strict=True)]
    usual = [read - tape for read, tape in zip(readings_mm(true_50), distances_mm(true_50), strict=True)]
    # The same 20 µm are 1/m² in object space, and m grows with f: about (50/51.2)² of it.
    assert moved[0] / usual[0] == pytest.approx((50 / 51.2) ** 2, rel=0.01)
    assert {row.focal_mm for row in named_50.rows} == {50}


# -- scoring ------------------------------------------------------------------------------------------------


def verdict_of(bench: Bench, *, add_um: float, call: Callable[[float], str]) -> dict[str, object]:
    def row(value: str, um: float) -> dict[str, object]:
        shown = um + add_um
        return {value: shown, "low_um": shown - 3, "high_um": shown + 3, "p_out": 0.25, "verdict": call(um)}

    truth = bench.truth
    return {
        "bodies": [{"name": name, **row("error_um", um)} for name, um in truth.bodies_um.items()],
        "lenses": [{"name": name, **row("error_um", um)} for name, um in truth.lenses_um.items()],
        "pairs": [{"body": b, "lens": x, **row("landing_um", um)} for (b, x), um in truth.pairs_um.items()],
        "differences": [
            {"body": than, "than": b, **row("difference_um", -um)}
            for (b, than), um in truth.differences_um.items()
        ],
        "causes": [{"kind": c.kind, "unit": c.unit, "probability": 0.9} for c in truth.causes],
    }


def true_call(um: float) -> str:
    return "in_tolerance" if abs(um) <= 10 else "out_deep" if um > 0 else "out_short"


def test_a_true_verdict_scores_full_and_a_shifted_one_by_its_shift() -> None:
    bench = WORLDS["fault_body"].bench(2)
    right = verdict_of(bench, add_um=2, call=true_call)
    for kind, count in (("body", 3), ("lens", 6), ("pair", 18), ("difference", 3)):
        found = tally(estimates(right, bench.truth), kind=kind, tolerance_um=10)
        assert (found.count, found.coverage, found.wrong, found.decided) == (count, 1, 0, 1)
        assert (found.rms_um, found.half_width_um) == (pytest.approx(2), pytest.approx(3))
        assert (
            tally(
                estimates(verdict_of(bench, add_um=4, call=true_call), bench.truth),
                kind=kind,
                tolerance_um=10,
            ).coverage
            == 0
        )
    named = causes([(right, bench.truth)])
    assert (named.benches, named.named, named.right_if_named) == (1, 1, 1)


def test_wrong_calls_are_counted_on_their_side() -> None:
    bench = WORLDS["fault_body"].bench(2)
    all_in = tally(
        estimates(verdict_of(bench, add_um=0, call=lambda _: "in_tolerance"), bench.truth),
        kind="body",
        tolerance_um=10,
    )
    assert (all_in.wrongly_in, all_in.wrongly_out) == (pytest.approx(1 / 3), 0)
    all_out = tally(
        estimates(verdict_of(bench, add_um=0, call=lambda _: "out_deep"), bench.truth),
        kind="body",
        tolerance_um=10,
    )
    assert all_out.wrongly_out == all_out.wrong
    unsure = tally(
        estimates(verdict_of(bench, add_um=0, call=lambda _: "cannot_tell"), bench.truth),
        kind="body",
        tolerance_um=10,
    )
    assert (unsure.decided, unsure.wrong) == (0, 0)


def test_a_wrong_cause_is_wrong_and_none_is_not_named() -> None:
    bench = WORLDS["fault_lens"].bench(2)
    wrong = {"causes": [{"kind": "body", "unit": "A-01", "probability": 0.8}]}
    found = causes([(wrong, bench.truth), ({}, bench.truth)])
    assert (found.benches, found.named, found.right_if_named, found.likeliest_right) == (2, 0.5, 0, 0)


def test_calibration_compares_what_was_said_with_what_is() -> None:
    bench = WORLDS["fault_body"].bench(2)
    found = estimates(verdict_of(bench, add_um=0, call=true_call), bench.truth)
    bodies = [estimate for estimate in found if estimate.kind == "body"]
    assert calibration(bodies, tolerance_um=10) == [(0.25, pytest.approx(1 / 3), 3)]


def test_a_true_body_turned_is_counted_and_an_eye_scored() -> None:
    bench = WORLDS["fault_body"].bench(2)
    (cause,) = bench.truth.causes
    true_body = next(name for name in bench.truth.bodies_um if name != cause.unit)
    right = {"remedies": [{"unit": cause.unit, "amount_um": 35.0}]}
    wrong = {"remedies": [{"unit": true_body, "amount_um": 12.0}]}
    assert turned_wrongly([(right, bench.truth), (wrong, bench.truth), ({}, bench.truth)]) == 1 / 3
    eye = {"operators": [{"name": "Kim", "k": 0.2, "offset": 0.1, "offset_low": -0.3, "offset_high": 0.4}]}
    (estimate,) = estimates(eye, bench.truth)
    assert (estimate.kind, estimate.truth_um, estimate.holds) == ("eye", bench.truth.offsets_nc["Kim"], True)
