"""The plan of a check: it reaches what it says, by a reckoning of our own, and says why when it cannot."""

import math
from dataclasses import replace
from functools import cache
from itertools import cycle

import numpy as np
import pytest
from invented_benches import FloatArray, extension_mm, prep, reading
from scipy import stats

from shimwise.errors import InferenceError
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep
from shimwise.inference.model.priors import STARTING_LEVELS, Effect
from shimwise.inference.plan.planner import MOST_READINGS, NEAR_LIMIT_SHARE, Plan, plan_check

HALF_95 = float(stats.norm.ppf(0.975))
SET_MM = {"L18": 18.0, "L25": 25.0, "L35": 35.0, "L50": 50.0, "L75": 75.0, "L100": 100.0}
DISTANCES_MM = (914.4, 1828.8, 3657.6)
FNUMBER, COC_UM, K = 2.0, 20.0, 0.2


def kit(*, bodies: tuple[str, ...] = ("B1",), gauge_sd_um: float | None = None) -> Prep:
    gauge_um = None if gauge_sd_um is None else 0.0
    return Prep(
        readings=(),
        bodies={name: BodyKnowledge(gauge_um=gauge_um, gauge_sd_um=gauge_sd_um) for name in bodies},
        lenses={
            name: LensKnowledge(focal_lengths_mm=(focal_mm,), fnumber=FNUMBER, separation_mm=0.0)
            for name, focal_mm in SET_MM.items()
        },
    )


@cache
def planned(
    bodies: tuple[str, ...] = ("B1",), *, gauge_sd_um: float | None = None, target_um: float, k: float = K
) -> Plan:
    return plan_check(kit(bodies=bodies, gauge_sd_um=gauge_sd_um), target_um=target_um, k=k)


class OwnReckoning:
    """Precision of all errors after readings, from Newton's form and the priors without their wild level."""

    def __init__(self, bodies: tuple[str, ...], *, gauge_sd_um: float = math.inf) -> None:
        sd = {effect: levels.usual_sd for effect, levels in STARTING_LEVELS.items()}
        prior: dict[object, float] = dict.fromkeys(bodies, sd[Effect.BODY])
        prior |= dict.fromkeys(SET_MM, sd[Effect.LENS])
        prior |= dict.fromkeys([f"scale of {lens}" for lens in SET_MM], sd[Effect.SCALE])
        prior |= dict.fromkeys([(b, d) for b in bodies for d in DISTANCES_MM], sd[Effect.SETUP])
        prior |= dict.fromkeys([f"tape of {body}" for body in bodies], sd[Effect.BODY_REFERENCE])
        prior |= {"set": sd[Effect.SET], "eye": sd[Effect.EYE]}
        self.bodies, self.column = bodies, {name: i for i, name in enumerate(prior)}
        self.precision: FloatArray = np.diag(np.array(list(prior.values())) ** -2.0)
        for body in bodies:
            self.precision[self.column[body], self.column[body]] += gauge_sd_um**-2

    def read(self, body: str, lens: str, distance_mm: float) -> None:
        extension, focal_mm = extension_mm(SET_MM[lens], distance_mm), SET_MM[lens]
        row, m = np.zeros(len(self.column)), extension / focal_mm
        row[[self.column[body], self.column[lens], self.column["set"]]] = 1.0
        row[self.column["eye"]] = FNUMBER * COC_UM
        row[self.column[f"scale of {lens}"]] = extension
        row[[self.column[body, distance_mm], self.column[f"tape of {body}"]]] = 1e3 * m**2
        of_mark_um = 1800.0 * (m * distance_mm / DISTANCES_MM[0]) ** 2
        rounding_um = 1e3 * m**2 * dict(zip(DISTANCES_MM, (12.7, 25.4, 76.2), strict=True))[distance_mm]
        # Student's t of 4, and a reading that is written in steps
        variance = 7 / 5 * ((K * FNUMBER * COC_UM) ** 2 + of_mark_um**2) + rounding_um**2 / 12
        self.precision += np.outer(row, row) / variance

    def half_widths_um(self) -> list[float]:
        covariance = np.linalg.inv(self.precision)
        return [HALF_95 * math.sqrt(covariance[self.column[b], self.column[b]]) for b in self.bodies]


def reckoned(plan: Plan, own: OwnReckoning) -> list[float]:
    for planned in plan.readings:
        for _ in range(planned.repeats):
            own.read(planned.body, planned.lens, planned.distance_mm)
    return own.half_widths_um()


@pytest.mark.parametrize(
    ("bodies", "gauge_sd_um", "target_um"),
    [(("B1",), None, 22.0), (("B1", "B2"), None, 19.0), (("B1",), 4.0, 6.8)],
)
@pytest.mark.slow
def test_a_plan_reaches_its_target_by_our_own_reckoning(
    bodies: tuple[str, ...], gauge_sd_um: float | None, target_um: float
) -> None:
    plan = planned(bodies, gauge_sd_um=gauge_sd_um, target_um=target_um)
    assert plan.is_reached
    assert plan.count > 0
    own = reckoned(plan, OwnReckoning(bodies, gauge_sd_um=gauge_sd_um or math.inf))
    assert max(own) <= target_um
    assert [body.median_um for body in plan.bodies] == pytest.approx(own, rel=0.3)
    assert all(body.median_um <= body.half_width_um <= target_um for body in plan.bodies)
    assert [body.name for body in plan.bodies] == list(bodies)


@pytest.mark.slow
def test_a_plan_is_no_worse_than_as_many_readings_of_every_lens_in_turn() -> None:
    plan = planned(target_um=22.0)
    in_turn = OwnReckoning(("B1",))
    turns = cycle((lens, distance_mm) for distance_mm in DISTANCES_MM for lens in SET_MM)
    for _ in range(plan.count):
        in_turn.read("B1", *next(turns))
    assert reckoned(plan, OwnReckoning(("B1",)))[0] <= in_turn.half_widths_um()[0]


@pytest.mark.slow
def test_a_plan_has_two_lenses_at_each_of_two_distances_for_every_body() -> None:
    plan = planned(("B1", "B2"), target_um=26.0)
    for body in ("B1", "B2"):
        lenses: dict[float, set[str]] = {}
        for one in plan.readings:
            if one.body == body:
                lenses.setdefault(one.distance_mm, set()).add(one.lens)
        assert sum(len(read) >= 2 for read in lenses.values()) >= 2


@pytest.mark.slow
@pytest.mark.usefixtures("few_preps")
def test_charts_stand_where_the_lens_has_a_mark_unless_distances_are_asked_for() -> None:
    marked = kit()
    lenses = {name: replace(lens, marks_mm=(914.4, 3657.6)) for name, lens in marked.lenses.items()}
    marked = replace(marked, lenses=lenses)
    plan = plan_check(marked, target_um=30.0, k=K)
    assert {one.distance_mm for one in plan.readings} == {914.4, 3657.6}
    asked = plan_check(marked, target_um=30.0, k=K, distances_mm=(2000.0, 5000.0))
    assert {one.distance_mm for one in asked.readings} == {2000.0, 5000.0}


@pytest.mark.slow
def test_a_narrower_target_takes_more_readings() -> None:
    wide, narrow = (planned(("B1", "B2"), target_um=target_um) for target_um in (26.0, 19.0))
    assert wide.count < narrow.count


@pytest.mark.slow
def test_a_target_that_no_readings_can_reach_says_what_they_can_and_what_would_help() -> None:
    plan = planned(target_um=5.0)
    assert not plan.is_reached
    (body,), (limit,) = plan.bodies, plan.limits
    assert 5.0 < body.limit_um <= body.half_width_um
    assert reckoned(plan, OwnReckoning(("B1",)))[0] <= NEAR_LIMIT_SHARE * limit.limit_um
    assert limit.with_gauge_um < 5.0
    with_gauge = planned(gauge_sd_um=3.0, target_um=6.0)
    assert with_gauge.is_reached  # the help that was named is help


@pytest.mark.slow
def test_a_target_that_is_reached_already_needs_no_reading() -> None:
    plan = planned(gauge_sd_um=3.0, target_um=8.0)
    assert (plan.is_reached, plan.count, plan.readings) == (True, 0, ())


@pytest.mark.slow
def test_readings_already_taken_count() -> None:
    before = kit()
    taken = tuple(
        reading(i, lens=lens, focal_mm=focal_mm, distance_mm=DISTANCES_MM[1])
        for i, (lens, focal_mm) in enumerate(SET_MM.items())
    )
    started = prep(*taken, bodies=before.bodies, lenses=before.lenses)
    assert plan_check(started, target_um=5.0, k=K).count < planned(target_um=5.0).count


@pytest.mark.slow
def test_a_steadier_eye_needs_fewer_readings() -> None:
    steady, usual = (planned(target_um=5.0, k=k) for k in (0.1, K))
    assert steady.count < usual.count


@pytest.mark.slow
@pytest.mark.usefixtures("few_preps")
def test_repeats_are_gathered_and_charts_stand_near_before_far() -> None:
    plan = plan_check(kit(bodies=("B1", "B2")), target_um=5.0, k=0.4)
    sights = [(one.body, one.lens, one.focal_mm, one.distance_mm) for one in plan.readings]
    assert len(set(sights)) == len(sights)
    assert max(one.repeats for one in plan.readings) > 1
    assert plan.count == sum(one.repeats for one in plan.readings)
    order = [(one.body, one.distance_mm) for one in plan.readings]
    assert order == sorted(order)


@pytest.mark.slow
@pytest.mark.usefixtures("few_preps")
def test_bodies_and_distances_can_be_asked_for() -> None:
    plan = plan_check(kit(), target_um=22.0, bodies=("B7",), distances_mm=(2000.0, 5000.0), k=K)
    assert [body.name for body in plan.bodies] == ["B1", "B7"]
    assert {one.distance_mm for one in plan.readings} <= {2000.0, 5000.0}


@pytest.mark.slow
@pytest.mark.usefixtures("few_preps")
def test_no_plan_is_longer_than_the_most_readings() -> None:
    told: list[tuple[int, int]] = []
    plan = plan_check(kit(), target_um=9.7, k=30.0, progress=lambda done, most: told.append((done, most)))
    assert plan.count == MOST_READINGS
    assert not plan.is_reached
    assert told == [(i + 1, MOST_READINGS) for i in range(MOST_READINGS)]


@pytest.mark.parametrize("target_um", [0.0, -3.0, math.nan])
def test_a_target_of_nothing_is_refused(target_um: float) -> None:
    with pytest.raises(InferenceError, match=r"target of ±(0|-3|nan) µm cannot be reached. Give one above 0"):
        plan_check(kit(), target_um=target_um)


@pytest.mark.parametrize(
    "subject",
    [
        Prep(readings=()),
        Prep(readings=(), bodies={"B1": BodyKnowledge()}),
        Prep(readings=(), lenses={"L1": LensKnowledge(focal_lengths_mm=(50.0,), fnumber=2.0)}),
        Prep(readings=(), bodies={"B1": BodyKnowledge()}, lenses={"L1": LensKnowledge()}),
    ],
    ids=["nothing", "no lens", "no body", "no optics"],
)
def test_a_kit_without_a_body_or_lens_is_refused_with_what_is_missing(subject: Prep) -> None:
    with pytest.raises(InferenceError, match=r"nothing to plan with: name at least one body, and one lens"):
        plan_check(subject, target_um=5.0)


@pytest.mark.slow
def test_a_prep_by_picture_is_planned_within_two_dozen_landings_and_is_worth_many_readings() -> None:
    plan = plan_check(kit(bodies=("B1", "B2")), target_um=5.0, is_by_picture=True, has_rule=False)
    assert plan.is_by_picture
    assert 8 <= plan.count <= 24
    assert {one.lens for one in plan.readings} == set(SET_MM), "every lens is measured"
    by_eye = plan_check(kit(bodies=("B1", "B2")), target_um=10.0, has_rule=False)
    assert not by_eye.is_by_picture
    assert by_eye.count > plan.count
    assert by_eye.worth == pytest.approx(plan.worth)
    # L18 wide open at 12 ft: eye and ring against picture, seat and setting, both Student's t of 4; rounding.
    m = extension_mm(18.0, 3657.6) / 18.0
    of_mark_um = 1e3 * (m * 3657.6 / 914.4) ** 2
    eye = 7 / 5 * ((0.19 * FNUMBER * COC_UM) ** 2 + (1.8 * of_mark_um) ** 2) + (1e3 * m**2 * 76.2) ** 2 / 12
    picture = 7 / 5 * (1.0 + 1.5**2 + (0.6 * of_mark_um) ** 2)
    assert plan.worth["L18"] == pytest.approx(eye / picture, rel=0.02)
    assert plan.worth["L18"] > 10
