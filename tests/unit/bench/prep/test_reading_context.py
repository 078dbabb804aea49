"""What a reading rests on is looked up once, and never used when it has changed."""

import uuid
from pathlib import Path

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import InputError
from shimwise.bench.house import units as houses
from shimwise.bench.house.settings import change_settings
from shimwise.bench.house.views import BodyFacts, HouseSettings, LensFacts
from shimwise.bench.prep import preps
from shimwise.bench.prep.gauges import add_gauge
from shimwise.bench.prep.readings import withdraw_reading
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.queries import verdicts
from shimwise.record.record import Record
from shimwise.record.tables.rows import AdjustmentRow


def test_a_lens_that_was_corrected_is_read_as_corrected(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "2' 11\"")
    facts = LensFacts(name="H50", focal_lengths_mm=(52.0,), fnumber=2.0)
    houses.change_unit(house.record, house.ids["H50"], facts=facts, who=WHO)
    assert house.read(prep.id, "2' 11\"").view.focal_mm == 52.0


def test_what_another_program_changed_in_the_same_record_is_seen(house: House, tmp_path: Path) -> None:
    prep = house.start()
    house.read(prep.id, "on")
    with Record.open(tmp_path / "record") as other:
        facts = BodyFacts(name="A-01 new", mount="PL")
        houses.change_unit(other, house.ids["A-01"], facts=facts, who=WHO)
    assert house.read(prep.id, "on").view.body == "A-01 new"


def test_a_wider_circle_of_confusion_widens_the_next_landing(house: House) -> None:
    prep = house.start()
    before = house.read(prep.id, "on").view.landing_sd_um
    change_settings(house.record, settings=HouseSettings(coc_um=40.0), who=WHO)
    assert house.read(prep.id, "on").view.landing_sd_um > before


def test_a_reading_after_an_adjustment_belongs_to_the_new_epoch(house: House) -> None:
    prep, elsewhere = house.start(), house.start()
    house.read(prep.id, "on")
    with house.record.writing(who=WHO) as change:
        row = AdjustmentRow(
            id=uuid.uuid4().hex,
            unit_kind="body",
            unit_id=house.ids["A-01"],
            action="move sensor",
            made_by=WHO,
            made_at=change.at,
            prep_id=elsewhere.id,  # in another prep, which does not touch this one
        )
        verdicts.add_adjustment(change, row)
    house.read(prep.id, "on")
    found = refresh_verdict(house.record, prep.id)
    assert found is not None
    assert [body.name for body in found.bodies] == ["A-01"]
    assert [body["name"] for body in found.document["past"]["bodies"]] == ["A-01 before adjustment 1"]


@pytest.mark.slow
def test_a_newer_verdict_speaks_at_once(house: House) -> None:
    prep = house.start()
    on_the_mark = [house.read(prep.id, "on").view.id for _ in range(3)]
    refresh_verdict(house.record, prep.id)
    assert house.read(prep.id, 'short by 1/2"').view.agreement == "apart"
    for reading_id in on_the_mark:
        withdraw_reading(house.record, reading_id, reason="another ring", who=WHO)
    add_gauge(
        house.record,
        prep.id,
        unit_kind="body",
        unit_id=house.ids["A-01"],
        value_um=-40.0,
        sd_um=1.0,
        who=WHO,
    )
    refresh_verdict(house.record, prep.id)
    assert house.read(prep.id, 'short by 1/2"').view.agreement == "agrees"


def test_a_unit_added_to_a_prep_can_be_read_and_another_cannot(house: House) -> None:
    prep = house.start()
    with pytest.raises(InputError, match="no body of this prep"):
        house.read(prep.id, "on", body_id=house.ids["A-02"])
    preps.add_units(house.record, prep.id, body_ids=[house.ids["A-02"]], who=WHO)
    assert house.read(prep.id, "on", body_id=house.ids["A-02"]).view.body == "A-02"
