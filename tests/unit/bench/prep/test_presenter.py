"""What is shown of a prep when its evidence or the house's settings change afterwards."""

from dataclasses import replace

from invented_house import WHO, House

from shimwise.bench.house import settings
from shimwise.bench.prep import preps
from shimwise.bench.prep.readings import undo_withdraw, withdraw_reading
from shimwise.bench.verdict import pictures
from shimwise.bench.verdict.verdict import refresh_verdict, verdict


def test_without_its_only_reading_a_prep_has_no_verdict_and_its_line_neither(house: House) -> None:
    prep = house.start()
    only = house.read(prep.id, "2' 11 1/2\"").view
    assert refresh_verdict(house.record, prep.id) is not None
    withdraw_reading(house.record, only.id, reason="ring slipped", who=WHO)
    shown = preps.open_prep(house.record, prep.id)
    assert shown.verdict is None
    assert verdict(house.record, prep.id) is None
    (line,) = preps.list_preps(house.record).preps
    assert (line.headline, line.reading_count) == ("", 0)
    undo_withdraw(house.record, only.id, who=WHO)
    assert preps.open_prep(house.record, prep.id).verdict is not None
    (line,) = preps.list_preps(house.record).preps
    assert line.headline
    assert line.reading_count == 1


def test_a_verdict_keeps_its_tolerance_in_its_picture_when_the_house_decides_anew(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "2' 11 1/2\"")
    refresh_verdict(house.record, prep.id)
    drawn = pictures.prep_landings_svg(preps.open_prep(house.record, prep.id))
    known = settings.settings(house.record)
    settings.change_settings(house.record, settings=replace(known, tolerance_um=25.0), who=WHO)
    shown = preps.open_prep(house.record, prep.id)
    assert shown.tolerance_um == 25.0
    assert shown.verdict is not None
    assert shown.verdict.tolerance_um == 10.0
    assert pictures.prep_landings_svg(shown) == drawn
