"""The re-check after a move: never too little, and no more than it takes."""

import numpy as np
import pytest
from benchmarks import prep_simulator as simulator

from shimwise.errors import InferenceError
from shimwise.inference.history.remembered_posterior import remembered_posterior
from shimwise.inference.model.assemble import build_model
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.inference.model.linear import Kind
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep
from shimwise.inference.plan.recheck import plan_recheck

KNOWN = {
    lens.name: LensKnowledge(
        focal_lengths_mm=(lens.focal_mm,), fnumber=lens.fnumber, history_mean_um=0.0, history_sd_um=4.0
    )
    for lens in simulator.SET
}
PREP = Prep(readings=(), bodies={"B1": BodyKnowledge()}, lenses=KNOWN)


def body(sd_um: float) -> History:
    return History.empty().joined(Unit(Kind.BODY, "B1"), mean=0.0, sd=sd_um)


@pytest.mark.parametrize("sd_um", [0.5, 3.0, 8.0, 40.0])
def test_two_lenses_and_two_distances_are_always_read(sd_um: float) -> None:
    plan = plan_recheck(PREP, body(sd_um), body="B1")
    assert len({reading.lens for reading in plan.readings}) >= 2
    assert len({reading.distance_mm for reading in plan.readings}) >= 2
    assert plan.is_enough


def test_a_body_that_is_known_less_is_read_more_and_known_as_well() -> None:
    plans = [plan_recheck(PREP, body(sd_um), body="B1") for sd_um in (3.0, 8.0, 40.0)]
    assert [plan.count for plan in plans] == sorted(plan.count for plan in plans)
    assert plans[0].count == 2
    assert plans[-1].count > 3
    assert all(plan.sd_um <= 4.0 for plan in plans)


def test_the_promise_is_kept_by_readings() -> None:
    plan = plan_recheck(PREP, body(40.0), body="B1")
    lenses = {lens.name: lens for lens in simulator.SET}
    errors = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        truth = simulator.draw_truth(rng, simulator.Spread(lens_um=4.0))
        taken = [
            simulator.read_once(
                rng,
                truth,
                "B1",
                lenses[one.lens],
                one.distance_mm,
                simulator.setup_name("B1", simulator.DISTANCES_MM.index(one.distance_mm)),
                blunder_rate=0.0,
            )[0]
            for one in plan.readings
            for _ in range(one.repeats)
        ]
        model, _ = build_model(Prep(readings=tuple(taken), bodies={"B1": BodyKnowledge()}, lenses=KNOWN))
        history = body(40.0).with_units_of(model)
        posterior = remembered_posterior(model, history)
        errors.append(posterior.mean[model.index(Kind.BODY, "B1")] - truth.body_um["B1"])
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(plan.sd_um, rel=0.25)


def test_what_was_read_already_is_not_asked_for_again() -> None:
    rng = np.random.default_rng(3)
    truth = simulator.draw_truth(rng)
    taken = [
        simulator.read_once(rng, truth, "B1", simulator.SET[i], simulator.DISTANCES_MM[i], f"B1-D{i + 1}")[0]
        for i in range(2)
    ]
    prep = Prep(readings=tuple(taken), bodies={"B1": BodyKnowledge()}, lenses=KNOWN)
    assert plan_recheck(prep, body(2.0), body="B1", taken=taken).count == 0
    assert plan_recheck(prep, body(2.0), body="B1", taken=taken[:1]).count == 1


def test_a_target_out_of_reach_is_said_to_be_so() -> None:
    plan = plan_recheck(PREP, body(40.0), body="B1", sd_um=0.1, most=8)
    assert (plan.count, plan.is_enough) == (8, False)


def test_impossible_re_checks_are_refused_in_words() -> None:
    with pytest.raises(InferenceError, match="no lens to re-check B1"):
        plan_recheck(Prep(readings=(), bodies={"B1": BodyKnowledge()}), body(5.0), body="B1")
    with pytest.raises(InferenceError, match="cannot be known to 0"):
        plan_recheck(PREP, body(5.0), body="B1", sd_um=0.0)
