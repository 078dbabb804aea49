"""What a prep's bodies can be known to by eye, before the first reading."""

import pytest
from invented_house import WHO, House

from shimwise.bench.history import prep_reach
from shimwise.bench.history.prep_reach import reach_of
from shimwise.bench.prep.preps import tape_setup
from shimwise.errors import InferenceError
from shimwise.inference.model.prep import Prep
from shimwise.inference.plan import planner


@pytest.mark.slow
def test_before_the_first_reading_a_prep_says_what_readings_reach_and_what_helps(house: House) -> None:
    prep = house.start()
    reach = reach_of(house.record, prep.id)
    assert reach is not None
    assert 0 < reach.limit_um <= reach.half_um
    assert f"{reach.count} readings" in reach.sentence
    assert f"readings without end ±{reach.limit_um:.1f} µm" in reach.sentence
    # Four lenses without a history hide a body's error: they leave more than half the tolerance.
    assert reach.is_reached is (reach.half_um <= reach.tolerance_um)
    assert reach.limit_um > reach.tolerance_um / 2


@pytest.mark.slow
def test_by_picture_the_landings_to_take_are_named_where_they_are_taped(house: House) -> None:
    prep = house.start()
    taped = tape_setup(house.record, prep.id, body_id=house.ids["A-01"], distance_text="6'", who=WHO)
    reach = reach_of(house.record, prep.id, is_by_picture=True)
    assert reach is not None
    assert len(reach.landings) == reach.count > 0
    assert reach.sentence.startswith(f"By picture {reach.count} landings first")
    assert {one.lens for one in reach.landings} == {one.name for one in prep.lenses}
    assert all(one.by_picture and one.body_id and one.lens_id for one in reach.landings)
    at_six = {one.setup_id for one in reach.landings if one.distance_text == "6'"}
    assert at_six <= {taped.id}
    assert not any(one.setup_id for one in reach.landings if one.distance_text != "6'")


def test_a_prep_without_lenses_promises_nothing(house: House) -> None:
    prep = house.start(set_id=None, lens_ids=[])
    assert reach_of(house.record, prep.id) is None


def test_what_is_reached_is_worked_out_once_for_the_same_units(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    planned: list[float] = []

    def plan(prep: Prep, **_: object) -> None:
        planned.append(prep.tolerance_um)
        raise InferenceError("nothing is planned here")

    monkeypatch.setattr(planner, "plan_check", plan)
    monkeypatch.setattr(prep_reach, "_KEPT", {})
    for prep_id in (house.start().id, house.start().id):
        assert reach_of(house.record, prep_id) is None
    assert len(planned) == 1
    assert reach_of(house.record, house.start(lens_ids=[house.ids["H50"]], set_id=None).id) is None
    assert len(planned) == 2
    monkeypatch.setattr(prep_reach, "MOST_BODIES", 0)  # more of them would keep the pages waiting
    assert reach_of(house.record, house.start(set_id=None, lens_ids=[house.ids["H25"]]).id) is None
    assert len(planned) == 2


def test_of_many_lenses_the_shortest_are_planned_with(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    planned: list[Prep] = []

    def plan(prep: Prep, **_: object) -> None:
        planned.append(prep)
        raise InferenceError("nothing is planned here")

    monkeypatch.setattr(planner, "plan_check", plan)
    monkeypatch.setattr(prep_reach, "_KEPT", {})
    monkeypatch.setattr(prep_reach, "MOST_LENSES", 2)
    prep = house.start()
    assert len(prep.lenses) > 2
    assert reach_of(house.record, prep.id) is None
    focal_mm = sorted(min(lens.focal_lengths_mm) for lens in prep.lenses)
    assert sorted(min(lens.focal_lengths_mm) for lens in planned[0].lenses.values()) == focal_mm[:2]
