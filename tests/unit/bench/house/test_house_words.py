"""A prep of the house speaks of pages, not of a kit file; and of units as they were read, or were not."""

from dataclasses import replace
from uuid import uuid4

from invented_house import WHO, House

from shimwise.bench.house.units import list_units, show_unit
from shimwise.bench.house.views import LensFacts
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.queries import verdicts


def test_units_that_were_never_read_are_told_apart_from_those_read_too_little(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "on", lens_id=house.ids["H18"])
    house.read(prep.id, "6'", lens_id=house.ids["H18"], distance_text="6'")
    told = refresh_verdict(house.record, prep.id)
    assert told is not None
    units = {unit.name: unit for unit in told.lenses}
    assert (units["H75"].state, units["H75"].verdict_words) == ("not_read", "not read")
    assert units["H75"].surer.startswith("Not read")
    assert units["H18"].verdict_words in ("needs more readings", "cannot be parted")
    assert units["H18"].surer.startswith("Known to ± ")
    assert "H75 are not read yet" in told.second_line
    assert not any("kit" in warning for warning in told.warnings)


def test_a_lens_has_the_same_rung_on_its_own_page_and_in_lists_as_in_its_prep(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "on", lens_id=house.ids["H18"])
    refresh_verdict(house.record, prep.id)
    with house.record.reading() as connection:
        given = verdicts.latest_verdict(connection, prep.id)
    assert given is not None
    lenses = [{**one, "state": "cannot_be_parted"} for one in given.document["lenses"]]
    later = replace(given, id=uuid4().hex, document={**given.document, "lenses": lenses})
    with house.record.writing(who=WHO) as change:
        verdicts.add_verdict(change, later)
    listed = {unit.facts.name: unit for unit in list_units(house.record, LensFacts).units}
    shown = show_unit(house.record, LensFacts, house.ids["H18"])
    for latest in (listed["H18"].latest, shown.unit.latest):
        assert latest is not None
        assert latest.verdict_words == "cannot be parted"


def test_a_single_reading_is_not_both_doubted_and_beyond_telling(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "2' 3\"", lens_id=house.ids["H18"])
    told = refresh_verdict(house.record, prep.id)
    assert told is not None
    assert "doubted" not in told.second_line
    assert any(warning.endswith("a second reading tells.") for warning in told.warnings)
