"""Preps: started from bodies and a set, taped, listed, closed and opened again."""

import uuid

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.house import units as houses
from shimwise.bench.house.settings import change_settings, settings
from shimwise.bench.house.views import BodyFacts, HouseSettings
from shimwise.bench.prep import preps


def test_a_prep_takes_the_lenses_of_its_set_in_their_order_and_names_itself(house: House) -> None:
    prep = house.start()
    assert prep.title == "A-01 with Set H"
    assert [lens.name for lens in prep.lenses] == ["H18", "H25", "H35", "H50", "H75"]
    assert (prep.state, prep.is_open, prep.revision) == ("open", True, 0)


def test_a_lens_named_beside_its_set_stands_there_once(house: House) -> None:
    prep = house.start(lens_ids=[house.ids["H35"]])
    assert len(prep.lenses) == 5


@pytest.mark.parametrize(
    ("options", "field", "match"),
    [
        ({"body_ids": []}, "body_ids", "at least one body"),
        ({"body_ids": ["0" * 32]}, "body_ids", "no body of this house"),
        ({"lens_ids": ["0" * 32]}, "lens_ids", "no lens of this house"),
        ({"set_id": "0" * 32}, "set_id", "no set of this house"),
        ({"tolerance_um": 0.0}, "tolerance_um", "accepted is from 0.01 to 1000"),
        ({"temperature_c": 451.0}, "temperature_c", "no temperature of a room"),
        ({"title": "=cmd"}, "title", "cannot start with ="),
        ({"who": ""}, "who", "is empty"),
    ],
)
def test_what_cannot_be_started_is_refused_by_its_field(
    house: House, options: dict[str, object], field: str, match: str
) -> None:
    with pytest.raises(InputError, match=match) as told:
        house.start(**options)
    assert told.value.field == field
    assert preps.list_preps(house.record).preps == ()


def test_a_unit_that_is_out_of_use_is_not_started_with(house: House) -> None:
    facts = BodyFacts(name="A-01", is_retired=True)
    houses.change_unit(house.record, house.ids["A-01"], facts=facts, who=WHO)
    with pytest.raises(InputError, match="A-01 is out of use"):
        house.start()


def test_a_set_up_taped_again_is_another_one(house: House) -> None:
    # The tape of the second may be off by another amount, so the judge must not pool them.
    prep = house.start()
    names = [
        preps.tape_setup(house.record, prep.id, body_id=house.ids["A-01"], distance_text="3'", who=WHO).name
        for _ in range(2)
    ]
    assert names == ["A-01 at 3'", "A-01 at 3' (2)"]
    house.read(prep.id, "on")
    assert preps.open_prep(house.record, prep.id).readings[0].setup == "A-01 at 3' (2)"


def test_a_set_up_sent_twice_is_one(house: House) -> None:
    prep, setup_id = house.start(), uuid.uuid4().hex
    for _ in range(2):
        setup = preps.tape_setup(
            house.record, prep.id, id=setup_id, body_id=house.ids["A-01"], distance_text="6'", who=WHO
        )
        assert (setup.id, setup.name) == (setup_id, "A-01 at 6'")
    assert len(preps.open_prep(house.record, prep.id).setups) == 1


def test_a_closed_prep_takes_nothing_until_it_is_opened(house: House) -> None:
    prep = house.start()
    assert preps.close_prep(house.record, prep.id, who=WHO).state == "done"
    with pytest.raises(Conflict, match="This prep is closed"):
        preps.tape_setup(house.record, prep.id, body_id=house.ids["A-01"], distance_text="3'", who=WHO)
    with pytest.raises(Conflict, match="This prep is closed"):
        preps.add_units(house.record, prep.id, body_ids=[house.ids["A-02"]], who=WHO)
    assert preps.reopen_prep(house.record, prep.id, who=WHO).closed_at is None
    house.read(prep.id, "on")


def test_units_are_added_behind_those_that_are_there(house: House) -> None:
    prep = house.start()
    ids = [house.ids["A-02"], house.ids["A-01"]]
    after = preps.add_units(house.record, prep.id, body_ids=ids, who=WHO)
    assert [body.name for body in after.bodies] == ["A-01", "A-02"]


def test_what_is_not_there_is_not_found(house: House) -> None:
    for do in (preps.open_prep,):
        with pytest.raises(NotFound, match="no prep"):
            do(house.record, "0" * 32)
    with pytest.raises(InputError, match="no cursor of this list"):
        preps.list_preps(house.record, before="0" * 32)
    with pytest.raises(InputError, match="is no state"):
        preps.list_preps(house.record, state="lost")


def test_the_tolerance_is_the_preps_else_the_bodys_else_the_mounts_else_the_houses(house: House) -> None:
    def of_body(**options: object) -> float | None:
        return house.start(**options).bodies[0].tolerance_um

    assert of_body() == 10
    change_settings(house.record, settings=HouseSettings(tolerance_um=9), who=WHO)
    assert of_body() == 9
    change_settings(
        house.record, settings=HouseSettings(tolerance_um=9, tolerance_by_mount={"pl": 8}), who=WHO
    )
    assert of_body() == 8
    facts = BodyFacts(name="A-01", mount="PL", tolerance_um=7)
    houses.change_unit(house.record, house.ids["A-01"], facts=facts, who=WHO)
    assert of_body() == 7
    assert of_body(tolerance_um=6.0) == 6


@pytest.mark.parametrize(
    ("new", "field"),
    [
        (HouseSettings(units="yd"), "units"),
        (HouseSettings(theme="pink"), "theme"),
        (HouseSettings(tolerance_um=float("nan")), "tolerance_um"),
        (HouseSettings(coc_um=0.02), "coc_um"),
        (HouseSettings(shim_stock_um=(0.0,)), "shim_stock_um"),
        (HouseSettings(tolerance_by_mount={"": 5.0}), "tolerance_by_mount"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_and_the_old_one_stays(
    house: House, new: HouseSettings, field: str
) -> None:
    with pytest.raises(InputError) as told:
        change_settings(house.record, settings=new, who=WHO)
    assert told.value.field == field
    assert settings(house.record) == HouseSettings()
