"""From sights to rows: coefficients against Newton's form, columns and priors against what was told."""

import math

import numpy as np
import pytest
from invented_benches import (
    FAR_MM,
    FOOT_MM,
    bench,
    coefficient,
    columns,
    extension_mm,
    model_of,
    prep,
    reading,
    ring_mm,
)

from shimwise.errors import InferenceError
from shimwise.inference.model.assemble import MOST_UNKNOWNS, build_model
from shimwise.inference.model.linear import Kind
from shimwise.inference.model.prep import Axis, BodyKnowledge, LensKnowledge, Prep
from shimwise.notices import Notice

NEAR_MM = 3 * FOOT_MM


@pytest.mark.parametrize("focal_mm", [18.0, 50.0, 100.0])
@pytest.mark.parametrize("distance_mm", [914.4, 3657.6])
@pytest.mark.parametrize("separation_mm", [0.0, 20.0])
def test_a_row_says_what_each_error_moves_the_picture_by(
    focal_mm: float, distance_mm: float, separation_mm: float
) -> None:
    one = reading(
        focal_mm=focal_mm,
        distance_mm=distance_mm,
        landing_um=-12.0,
        separation_mm=separation_mm,
        setup="near",
    )
    model = model_of(one)
    assert columns(model) == {("body", "B1"), ("lens", "L1"), ("scale", "L1"), ("setup", "near")}
    assert model.landing_um[0] == pytest.approx(-12.0, abs=1e-6)
    assert coefficient(model, 0, Kind.BODY, "B1") == coefficient(model, 0, Kind.LENS, "L1") == 1.0
    # A scale 1 ‰ off moves by a thousandth of the extension; mm per thousand are µm.
    extension = extension_mm(focal_mm, distance_mm, separation_mm)
    assert coefficient(model, 0, Kind.SCALE, "L1") == pytest.approx(extension, rel=1e-9)
    # A chart 1 mm off moves by the longitudinal magnification m², m = extension / f.
    m = extension / focal_mm
    assert coefficient(model, 0, Kind.SETUP, "near") == pytest.approx(1e3 * m**2, rel=1e-9)
    moved_um = 1e3 * (extension - extension_mm(focal_mm, distance_mm + 1.0, separation_mm))
    # The whole lens moves: m²/(1 − m²) in full, of which m² is the first order; and 1 mm is not 0.
    assert moved_um == pytest.approx(
        coefficient(model, 0, Kind.SETUP, "near"), rel=m**2 + 2 / distance_mm * 2
    )


def test_a_chart_that_stands_farther_than_taped_lands_deep() -> None:
    one = reading(focal_mm=50.0, distance_mm=NEAR_MM, reading_mm=NEAR_MM + 10.0)
    model = model_of(one)
    assert model.landing_um[0] > 0
    assert coefficient(model, 0, Kind.SETUP, "B1 at 3'") * 10.0 == pytest.approx(
        model.landing_um[0], rel=0.03
    )


def test_readings_of_one_sight_share_a_row_and_keep_their_own_landings() -> None:
    model = model_of(
        *(reading(i, landing_um=z) for i, z in enumerate((3.0, -4.0, 5.0))), reading(3, lens="L2")
    )
    assert model.design.shape[0] == 2
    assert model.pattern.tolist() == [0, 0, 0, 1]
    np.testing.assert_allclose(model.landing_um, [3.0, -4.0, 5.0, 0.0], atol=1e-6)


def test_a_chart_at_infinity_says_nothing_of_scale_or_tape() -> None:
    model = model_of(reading(distance_mm=FAR_MM, landing_um=-8.0))
    assert columns(model) == {("body", "B1"), ("lens", "L1")}


def test_blur_follows_the_stop_and_the_bodys_circle_of_confusion() -> None:
    model = model_of(
        reading(fnumber=2.8), reading(1, body="B2", fnumber=4.0), bodies={"B2": BodyKnowledge(coc_um=12.5)}
    )
    np.testing.assert_allclose(model.blur_um, [2.8 * 20.0, 4.0 * 12.5])


def test_readings_away_from_the_widest_stop_have_a_shift_of_their_own() -> None:
    stops = (2.0, 4.0, 2.0, 5.6)
    model = model_of(
        *(reading(i, fnumber=n) for i, n in enumerate(stops)), reading(4, lens="L2", fnumber=4.0)
    )
    assert {name for kind, name in columns(model) if kind == "stop"} == {"L1 at f/4", "L1 at f/5.6"}
    assert [coefficient(model, i, Kind.STOP, "L1 at f/4") for i in range(5)] == [0, 1, 0, 0, 0]
    assert [coefficient(model, i, Kind.STOP, "L1 at f/5.6") for i in range(5)] == [0, 0, 0, 1, 0]
    mixed = Notice("mixed_stops", "L1", {"widest": 2.0, "stops": "f/2, f/4, f/5.6"})
    assert [one for one in model.notices if one.code == "mixed_stops"] == [mixed]


@pytest.mark.parametrize("where", ["reading", "kit"])
def test_an_anamorphic_has_two_focal_lengths_one_error_and_half_a_difference(where: str) -> None:
    squeeze = 2.0 if where == "reading" else 1.0
    kit = {"L1": LensKnowledge(squeeze=2.0)} if where == "kit" else {}
    rings = {
        axis: ring_mm(f, extension_mm(f, 1828.8) - 0.02) for axis, f in zip(Axis, (100.0, 50.0), strict=True)
    }
    pair = [
        reading(i, focal_mm=100.0, squeeze=squeeze, axis=axis, reading_mm=rings[axis])
        for i, axis in enumerate(Axis)
    ]
    model = model_of(*pair, lenses=kit)
    np.testing.assert_allclose(model.landing_um, [20.0, 20.0], atol=1e-6)
    assert {kind for kind, name in columns(model)} == {"body", "lens", "scale", "setup", "axis"}
    assert sorted(coefficient(model, i, Kind.AXIS, "L1") for i in (0, 1)) == [-1.0, 1.0]
    scales = [coefficient(model, i, Kind.SCALE, "L1") for i in (0, 1)]
    assert scales == pytest.approx([extension_mm(f, 1828.8) for f in (100.0, 50.0)], rel=1e-9)
    assert len(model.indices(Kind.LENS)) == 1


def test_history_becomes_the_prior_and_the_rest_keep_the_usual_one() -> None:
    told = LensKnowledge(history_mean_um=4.0, history_sd_um=2.5)
    model = model_of(
        reading(),
        reading(1, lens="L2"),
        lenses={"L2": told},
        bodies={"B1": BodyKnowledge(history_mean_um=-3.0, history_sd_um=6.0)},
    )
    by_name = {(u.kind, u.name): (u.mean, u.sd, u.has_history) for u in model.unknowns}
    assert by_name[Kind.BODY, "B1"] == (-3.0, 6.0, True)
    assert by_name[Kind.LENS, "L1"] == (0.0, 12.0, False)
    assert by_name[Kind.LENS, "L2"] == (4.0, 2.5, True)
    assert by_name[Kind.SCALE, "L2"][2] is False


def test_a_gauge_is_a_row_of_its_own_on_one_unit() -> None:
    model = model_of(
        reading(),
        bodies={"B1": BodyKnowledge(gauge_um=-12.0, gauge_sd_um=3.0)},
        lenses={"L1": LensKnowledge(gauge_um=5.0, gauge_sd_um=2.0)},
    )
    body, lens = model.index(Kind.BODY, "B1"), model.index(Kind.LENS, "L1")
    for column, value, sd in ((body, -12.0, 3.0), (lens, 5.0, 2.0)):
        assert 1 / math.sqrt(model.gauge_precision[column]) == pytest.approx(sd)
        assert model.gauge_pull[column] / model.gauge_precision[column] == pytest.approx(value)
    others = [i for i in range(len(model.unknowns)) if i not in (body, lens)]
    assert not model.gauge_precision[others].any()


def test_candidates_are_rows_in_the_same_columns_and_repeats_are_given_once() -> None:
    taken = bench()
    model, candidates = build_model(prep(*taken), candidates=[taken[0], taken[0], taken[-1]])
    assert [(s.lens, s.distance_mm) for s in candidates.observations] == [
        (taken[0].lens, taken[0].distance_mm),
        (taken[-1].lens, taken[-1].distance_mm),
    ]
    np.testing.assert_array_equal(candidates.design[0], model.design[model.pattern[0]])
    np.testing.assert_array_equal(candidates.design[1], model.design[model.pattern[-1]])
    assert candidates.blur_um[1] == model.blur_um[model.pattern[-1]]
    assert candidates.reading_sd_um[1] == model.reading_sd_um[model.pattern[-1]]


def test_candidates_alone_make_a_model_without_readings() -> None:
    model, candidates = build_model(Prep(readings=()), candidates=[reading(), reading(body="B2")])
    assert model.landing_um.shape == (0,)
    assert candidates.design.shape == (2, len(model.unknowns))
    assert {name for kind, name in columns(model) if kind == "body"} == {"B1", "B2"}


def test_nothing_to_judge_is_refused_with_what_to_do() -> None:
    with pytest.raises(InferenceError, match="nothing to judge: no reading, no gauge and no unit"):
        build_model(Prep(readings=()))


def test_too_many_units_are_refused_with_the_limit() -> None:
    many = [reading(i, body=f"B{i}", distance_mm=FAR_MM) for i in range(MOST_UNKNOWNS)]
    with pytest.raises(
        InferenceError, match=rf"more than {MOST_UNKNOWNS} bodies, lenses and set-ups.*in parts"
    ):
        build_model(prep(*many))
    assert len(model_of(*many[:-1]).unknowns) == MOST_UNKNOWNS
