"""A prep of the house speaks of pages, not of a kit file; and of units as they were read, or were not."""

from invented_house import House

from shimwise.bench.verdict.verdict import refresh_verdict


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


def test_a_single_reading_is_not_both_doubted_and_beyond_telling(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "2' 3\"", lens_id=house.ids["H18"])
    told = refresh_verdict(house.record, prep.id)
    assert told is not None
    assert "doubted" not in told.second_line
    assert any(warning.endswith("a second reading tells.") for warning in told.warnings)
