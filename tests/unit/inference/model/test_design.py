"""From sights to rows: coefficients against Newton's form, columns and priors against what was told."""

import numpy as np
import pytest
from invented_benches import (
    FAR_MM,
    FOOT_MM,
    bench,
    coefficient,
    columns,
    extension_mm,
    landings_um,
    model_of,
    prep,
    reading,
    ring_mm,
)

from shimwise.errors import InferenceError
from shimwise.inference.model.design import MOST_UNKNOWNS, build_mixture
from shimwise.inference.model.mixture import Column
from shimwise.inference.model.prep import Axis, BodyKnowledge, LensKnowledge, Prep
from shimwise.inference.model.priors import Effect
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
    assert columns(model) == {
        *(("body", "B1"), ("lens", "L1"), ("scale", "L1"), ("setup", "near")),
        *(("body_reference", "B1"), ("eye", "")),
    }
    assert landings_um(model)[0] == pytest.approx(-12.0, abs=1e-6)
    assert coefficient(model, 0, Effect.BODY, "B1") == coefficient(model, 0, Effect.LENS, "L1") == 1.0
    # A scale 1 ‰ off moves by a thousandth of the extension; mm per thousand are µm.
    extension = extension_mm(focal_mm, distance_mm, separation_mm)
    assert coefficient(model, 0, Effect.SCALE, "L1") == pytest.approx(extension, rel=1e-9)
    # A chart 1 mm off moves by the longitudinal magnification m², m = extension / f.
    m = extension / focal_mm
    assert coefficient(model, 0, Effect.SETUP, "near") == pytest.approx(1e3 * m**2, rel=1e-9)
    assert coefficient(model, 0, Effect.BODY_REFERENCE, "B1") == coefficient(model, 0, Effect.SETUP, "near")
    assert coefficient(model, 0, Effect.EYE, "") == 40.0  # N·c of f/2 and 20 µm
    moved_um = 1e3 * (extension - extension_mm(focal_mm, distance_mm + 1.0, separation_mm))
    # The whole lens moves: m²/(1 − m²) in full, of which m² is the first order; and 1 mm is not 0.
    assert moved_um == pytest.approx(
        coefficient(model, 0, Effect.SETUP, "near"), rel=m**2 + 2 / distance_mm * 2
    )


def test_a_chart_that_stands_farther_than_taped_lands_deep() -> None:
    one = reading(focal_mm=50.0, distance_mm=NEAR_MM, reading_mm=NEAR_MM + 10.0)
    model = model_of(one)
    assert landings_um(model)[0] > 0
    assert coefficient(model, 0, Effect.SETUP, "B1 at 3'") * 10.0 == pytest.approx(
        landings_um(model)[0], rel=0.03
    )


def test_readings_of_one_sight_share_a_row_and_keep_their_own_landings() -> None:
    model = model_of(
        *(reading(i, landing_um=z) for i, z in enumerate((3.0, -4.0, 5.0))), reading(3, lens="L2")
    )
    assert model.model.rows.design.shape[0] == 2
    assert model.model.rows.pattern.tolist() == [0, 0, 0, 1]
    np.testing.assert_allclose(landings_um(model), [3.0, -4.0, 5.0, 0.0], atol=1e-6)


def test_a_chart_at_infinity_says_nothing_of_scale_or_tape() -> None:
    model = model_of(reading(distance_mm=FAR_MM, landing_um=-8.0))
    assert columns(model) == {("body", "B1"), ("lens", "L1"), ("eye", "")}


def test_blur_follows_the_stop_and_the_bodys_circle_of_confusion() -> None:
    model = model_of(
        reading(fnumber=2.8), reading(1, body="B2", fnumber=4.0), bodies={"B2": BodyKnowledge(coc_um=12.5)}
    )
    np.testing.assert_allclose(model.model.rows.blur_um, [2.8 * 20.0, 4.0 * 12.5])


def test_readings_away_from_the_widest_stop_have_a_shift_of_their_own() -> None:
    stops = (2.0, 4.0, 2.0, 5.6)
    model = model_of(
        *(reading(i, fnumber=n) for i, n in enumerate(stops)), reading(4, lens="L2", fnumber=4.0)
    )
    assert {name for kind, name in columns(model) if kind == "stop"} == {"L1 at f/4", "L1 at f/5.6"}
    assert [coefficient(model, i, Effect.STOP, "L1 at f/4") for i in range(5)] == [0, 1, 0, 0, 0]
    assert [coefficient(model, i, Effect.STOP, "L1 at f/5.6") for i in range(5)] == [0, 0, 0, 1, 0]
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
    np.testing.assert_allclose(landings_um(model), [20.0, 20.0], atol=1e-6)
    assert {kind for kind, name in columns(model)} == {
        *("body", "lens", "scale", "setup", "axis"),
        *("body_reference", "eye"),
    }
    assert sorted(coefficient(model, i, Effect.AXIS, "L1") for i in (0, 1)) == [-1.0, 1.0]
    scales = [coefficient(model, i, Effect.SCALE, "L1") for i in (0, 1)]
    assert scales == pytest.approx([extension_mm(f, 1828.8) for f in (100.0, 50.0)], rel=1e-9)
    assert model.model.quantities.indices("lens") == [model.model.quantities.index("lens", "L1")]


def test_history_becomes_the_prior_and_the_rest_keep_the_usual_one() -> None:
    model = model_of(
        reading(),
        reading(1, lens="L2"),
        lenses={"L2": LensKnowledge(history_mean_um=4.0, history_sd_um=2.5)},
        bodies={"B1": BodyKnowledge(history_mean_um=-3.0, history_sd_um=6.0)},
    ).model
    place = {column: i for i, column in enumerate(model.columns)}
    known, unknown = place[Column(Effect.LENS, "L2")], place[Column(Effect.LENS, "L1")]
    assert model.centre[known] == 4.0
    assert model.levels.sd[known].tolist() == [2.5, 7.5, 22.5]
    assert model.levels.group[known] != model.levels.group[unknown]
    assert model.levels.learned.tolist() == [unknown]
    memory = place[Column(Effect.BODY, "B1", is_memory=True)]  # a body's history, and what changed since
    assert (model.centre[memory], model.precision[memory, memory]) == (-3.0, pytest.approx(6.0**-2))
    assert model.levels.sd[place[Column(Effect.BODY, "B1")]][0] == 0.5


def test_a_gauge_speaks_of_the_whole_unit_and_of_nothing_else() -> None:
    model = model_of(
        reading(),
        bodies={"B1": BodyKnowledge(gauge_um=-12.0, gauge_sd_um=3.0)},
        lenses={"L1": LensKnowledge(gauge_um=5.0, gauge_sd_um=2.0)},
    ).model
    places = [model.columns.index(Column(effect, name)) for effect, name in _GAUGED]
    for column, value, sd in zip(places, (-12.0, 5.0), (3.0, 2.0), strict=True):
        assert model.precision[column, column] == pytest.approx(sd**-2)
        assert model.pull[column] / model.precision[column, column] == pytest.approx(value)
    others = [i for i in range(len(model.columns)) if i not in places]
    assert not model.pull[others].any()


_GAUGED = ((Effect.BODY, "B1"), (Effect.LENS, "L1"))


def test_candidates_are_rows_in_the_same_columns_and_repeats_are_given_once() -> None:
    taken = bench()
    built = build_mixture(prep(*taken), candidates=[taken[0], taken[0], taken[-1]])
    assert {(s.lens, s.distance_mm) for s in built.candidates} == {
        (taken[0].lens, taken[0].distance_mm),
        (taken[-1].lens, taken[-1].distance_mm),
    }
    rows = built.model.rows
    place = {one.lens: i for i, one in enumerate(built.candidates)}
    for reading_place, one in ((0, taken[0]), (len(taken) - 1, taken[-1])):
        row = rows.pattern[list(rows.reading).index(reading_place)]
        np.testing.assert_array_equal(built.candidate_design[place[one.lens]], rows.design[row])
        assert built.candidate_blur_um[place[one.lens]] == rows.blur_um[row]
        assert built.candidate_ring_um[place[one.lens]] == rows.ring_um[row]


def test_candidates_alone_make_a_model_without_readings() -> None:
    built = build_mixture(Prep(readings=()), candidates=[reading(), reading(body="B2")])
    assert built.model.rows.low_um.shape == (0,)
    assert built.candidate_design.shape == (2, len(built.model.columns))
    assert {name for kind, name in columns(built) if kind == "body"} == {"B1", "B2"}


def test_nothing_to_judge_is_refused_with_what_to_do() -> None:
    with pytest.raises(InferenceError, match="nothing to judge: no reading, no gauge and no unit"):
        build_mixture(Prep(readings=()))


@pytest.mark.slow
def test_too_many_units_are_refused_with_the_limit() -> None:
    many = [reading(i, body=f"B{i}", distance_mm=FAR_MM) for i in range(MOST_UNKNOWNS - 1)]  # and an eye
    with pytest.raises(
        InferenceError, match=rf"more than {MOST_UNKNOWNS} bodies, lenses and set-ups.*in parts"
    ):
        build_mixture(prep(*many))
    assert len(model_of(*many[:-1]).model.columns) == MOST_UNKNOWNS
