"""Evidence other than readings by eye, and readings of other optics, in the mixture model."""

from dataclasses import replace

import numpy as np
import pytest
from mixture_benches import FOOT_MM, as_landings, prep_of

from shimwise.inference.model.bench import BenchFacts
from shimwise.inference.model.design import build_mixture
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.mixture import Column
from shimwise.inference.model.prep import Axis, BodyKnowledge, FocusDesign, LensKnowledge, Prep, Reading
from shimwise.inference.model.priors import Effect, Levels, Priors
from shimwise.inference.verdict.judge import Judged, judge_prep

LENSES_UM = {"L18": 4.0, "L25": -5.0, "L35": 2.0, "L50": -1.0}


def history_of(*known: tuple[Kind, str, float, float]) -> History:
    history = History.empty()
    for kind, name, mean, sd in known:
        history = history.joined(Unit(kind, name), mean=mean, sd=sd)
    return history


def body_of(judged: Judged, name: str) -> tuple[float, float]:
    found = next(one for one in judged.answer.bodies if one.name == name)
    return found.error_um, found.sd_um


@pytest.mark.slow
def test_a_gauge_on_the_body_narrows_body_and_lenses() -> None:
    prep = prep_of({"A": 9.0}, LENSES_UM)
    gauged = replace(prep, bodies={"A": BodyKnowledge(gauge_um=9.0, gauge_sd_um=1.0)})
    plain, told = judge_prep(prep).answer, judge_prep(gauged).answer
    assert told.bodies[0].sd_um < min(1.05, plain.bodies[0].sd_um)
    assert told.lenses[0].sd_um < plain.lenses[0].sd_um


def test_a_collimator_value_is_of_the_lens_with_its_set() -> None:
    lenses = {name: LensKnowledge(gauge_um=value, gauge_sd_um=1.0) for name, value in LENSES_UM.items()}
    prep = prep_of({"A": 25.0}, LENSES_UM, lenses=lenses)
    answer = judge_prep(prep).answer
    assert all(lens.sd_um < 1.05 for lens in answer.lenses)
    for lens in answer.lenses:
        assert lens.error_um == pytest.approx(LENSES_UM[lens.name], abs=2.0)
    assert answer.bodies[0].low_um < 25.0 < answer.bodies[0].high_um


def test_landings_from_frames_have_no_eye_and_their_own_uncertainty() -> None:
    by_eye = prep_of({"A": 9.0}, LENSES_UM, feet=(6,), repeats=1)
    landings_um = {name: 9.0 + value for name, value in LENSES_UM.items()}
    frames = as_landings(by_eye, landings_um, sd_um=1.0)
    judged = judge_prep(frames)
    assert judged.answer.operators == ()
    pairs = {one.lens: one for one in judged.answer.pairs}
    assert pairs["L18"].sd_um < 4.0
    assert not any(column.effect is Effect.EYE for column in judged.built.model.columns)


def test_landings_of_one_ring_setting_share_its_error() -> None:
    prep = prep_of({"A": 0.0}, {"L50": 0.0}, feet=(3,), repeats=4)
    prep = as_landings(prep, {"L50": 0.0}, sd_um=0.2)
    shared = BenchFacts(setting_of_row={one.row: "once" for one in prep.landings})
    model = build_mixture(prep, facts=shared).model
    column = model.columns.index(Column(Effect.RING_SETTING, "once"))
    # 2.3 µm on a 50 mm lens at 3 ft for a setting of .6 mm, as the design of the tool states it
    assert 0.6 * model.rows.design[0, column] == pytest.approx(2.3, abs=0.2)
    assert np.all(model.rows.design[:, column] == model.rows.design[0, column])
    assert model.precision[column, column] == pytest.approx(0.6**-2)


def test_what_is_remembered_jointly_enters_and_a_knock_is_found() -> None:
    known = [
        (Kind.BODY, "A", 3.0, 1.5),
        *((Kind.LENS, name, value, 1.5) for name, value in LENSES_UM.items()),
    ]
    true = judge_prep(prep_of({"A": 3.0}, LENSES_UM, history=history_of(*known)))
    error_um, sd_um = body_of(true, "A")
    assert error_um == pytest.approx(3.0, abs=2.0)
    assert sd_um < 1.6
    # with one body its knock, a shift of the set and a bias of the eye look the same; a second parts them
    both = history_of(*known, (Kind.BODY, "B", 0.0, 1.5))
    knocked = judge_prep(prep_of({"A": 38.0, "B": 0.0}, LENSES_UM, history=both))
    error_um, sd_um = body_of(knocked, "A")
    assert error_um == pytest.approx(38.0, abs=4.0)
    assert knocked.answer.bodies[0].p_out > 0.95


def test_one_body_that_fell_is_found_where_lenses_and_person_are_remembered() -> None:
    units = [
        (Kind.BODY, "A", 0.0, 2.0),
        *((Kind.LENS, name, value, 1.5) for name, value in LENSES_UM.items()),
    ]
    known = history_of(*units, (Kind.EYE, "p", 0.0, 0.05))
    judged = judge_prep(prep_of({"A": -46.0}, LENSES_UM, history=known))
    error_um, _ = body_of(judged, "A")
    assert error_um == pytest.approx(-46.0, abs=5.0)
    assert [one.unit for one in judged.answer.notices if one.code == "knocked"] == ["A"]
    assert not judged.draws.quantities.indices(Effect.SET.value)  # what the lenses share is in their memory


def test_a_persons_offset_is_remembered_and_counts_at_the_next_prep() -> None:
    prep = prep_of({"A": 0.0}, {name: value - 8.0 for name, value in LENSES_UM.items()}, k=0.1)
    lenses = [(Kind.LENS, name, value, 1.0) for name, value in LENSES_UM.items()]
    without = history_of(*lenses)
    told = history_of(*lenses, (Kind.EYE, "p", -0.2, 0.02))
    assert body_of(judge_prep(replace(prep, history=told)), "A")[0] == pytest.approx(0.0, abs=2.5)
    assert body_of(judge_prep(replace(prep, history=without)), "A")[0] < -3.0


def test_joint_knowledge_is_not_taken_as_independent() -> None:
    """Body and lens known only in sum: either alone stays uncertain."""
    covariance = np.array([[100.0, -99.0], [-99.0, 100.0]])
    joint = History(
        units=(Unit(Kind.BODY, "A"), Unit(Kind.LENS, "L35")), mean=np.zeros(2), covariance=covariance
    )
    judged = judge_prep(
        Prep(readings=(), history=joint, bodies={"A": BodyKnowledge()}, lenses={"L35": LensKnowledge()})
    )
    (pair,) = judged.answer.pairs
    body = judged.answer.bodies[0]
    assert body.high_um - body.low_um > 35.0
    assert pair.high_um - pair.low_um < 12.0  # √2 of the joint block, and the little that changes since


def test_a_bodys_state_before_an_adjustment_informs_the_state_after_through_the_memory() -> None:
    history = history_of((Kind.BODY, "A before", 0.0, 15.0))
    covariance = np.array([[225.0, 225.0], [225.0, 226.0]])
    history = History(
        units=(*history.units, Unit(Kind.BODY, "A")), mean=np.array([0.0, 20.0]), covariance=covariance
    )
    before = prep_of({"A before": -20.0}, LENSES_UM)
    bodies = {"A before": BodyKnowledge(past_of="A"), "A": BodyKnowledge()}
    prep = replace(before, bodies=bodies, history=history)
    judged = judge_prep(prep)
    error_um, _ = body_of(judged, "A")
    assert [one.name for one in judged.answer.past_bodies] == ["A before"]
    (past,) = judged.answer.past_bodies
    assert error_um == pytest.approx(0.0, abs=6.0)
    assert error_um - past.error_um == pytest.approx(20.0, abs=1.5)
    assert all(pair.body == "A" for pair in judged.answer.pairs)


def test_lenses_told_are_believed_as_told() -> None:
    told = {
        name: LensKnowledge(history_mean_um=value, history_sd_um=2.0) for name, value in LENSES_UM.items()
    }
    plain, known = (
        judge_prep(prep_of({"A": 9.0}, LENSES_UM)),
        judge_prep(prep_of({"A": 9.0}, LENSES_UM, lenses=told)),
    )
    assert body_of(known, "A")[1] < body_of(plain, "A")[1]


def test_spreads_of_the_house_replace_the_starting_ones() -> None:
    fine = {**Priors().levels, Effect.BODY: Levels((2.0, 6.0, 20.0), (0.96, 0.03, 0.01))}
    prep = prep_of({"A": 4.0, "B": 0.0}, LENSES_UM)
    tight = Priors(levels=fine, healthy_lens_sds_um=(3.0,))
    assert body_of(judge_prep(prep, priors=tight), "A")[1] < body_of(judge_prep(prep), "A")[1]


def test_two_axes_of_an_anamorphic_are_two_landings_of_one_lens() -> None:
    rows = [
        Reading(
            row=i,
            line=i + 2,
            body="A",
            lens="W50",
            focal_mm=50.0,
            squeeze=2.0,
            axis=axis,
            fnumber=2.8,
            distance_mm=6 * FOOT_MM,
            reading_mm=6 * FOOT_MM,
            operator="p",
        )
        for i, axis in enumerate((Axis.VERTICAL, Axis.HORIZONTAL))
    ]
    model = build_mixture(Prep(readings=tuple(rows))).model
    column = model.columns.index(Column(Effect.AXIS, "W50"))
    assert sorted(model.rows.design[:, column]) == [-1.0, 1.0]


def test_a_zoom_carries_the_uncertainty_of_its_conversion() -> None:
    prep = prep_of({"A": 60.0}, {"L35": 0.0}, feet=(3,))
    zoom = replace(
        prep, readings=tuple(replace(one, focus_design=FocusDesign.INTERNAL) for one in prep.readings)
    )
    plain, doubted = build_mixture(prep).model, build_mixture(zoom).model
    column = plain.columns.index(Column(Effect.CONVERSION, "L35"))
    assert doubted.rows.design[:, column] == pytest.approx(plain.rows.design[:, column] * 0.5 / 0.04)


def test_a_set_has_a_shift_from_three_lenses_on() -> None:
    two = build_mixture(prep_of({"A": 0.0}, {"L18": 0.0, "L25": 0.0})).model
    three = build_mixture(prep_of({"A": 0.0}, {"L18": 0.0, "L25": 0.0, "L35": 0.0})).model
    assert not any(column.effect is Effect.SET for column in two.columns)
    assert any(column.effect is Effect.SET for column in three.columns)


def test_other_stops_have_a_shift_of_their_own() -> None:
    prep = prep_of({"A": 0.0}, {"L35": 0.0}, feet=(3,), repeats=2)
    prep = replace(prep, readings=(prep.readings[0], replace(prep.readings[1], fnumber=4.0)))
    built = build_mixture(prep)
    assert Column(Effect.STOP, "L35 at f/4") in built.model.columns
    assert "mixed_stops" in [one.code for one in built.notices]
