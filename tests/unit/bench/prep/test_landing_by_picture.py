"""Landings by picture in a prep: kept once, judged with the ring's setting, told in words."""

import math
import uuid
from pathlib import Path

import pytest
from invented_house import WHO, House

from record_template import empty_record
from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.exchange.import_readings import import_readings
from shimwise.bench.exchange.record_admin import export_prep, export_readings_csv, import_prep
from shimwise.bench.history.operators import repeatability
from shimwise.bench.house.settings import change_settings
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.prep import preps
from shimwise.bench.prep.preview import LandingBeyond
from shimwise.bench.prep.readings import note_reading, undo_withdraw, withdraw_reading
from shimwise.bench.prep.views import SavedReading
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.record import Record


def look(house: House, prep_id: str, landing_um: float, **options: object) -> SavedReading:
    chosen: dict[str, object] = {"landing_sd_um": 0.7, "setting": "1"}
    return house.read(prep_id, "", landing_um=landing_um, **{**chosen, **options})


def far_away(house: House) -> dict[str, object]:
    """A long lens at 12 ft, where the tape and the lens's scale say little beside the setting of the ring."""
    return {"lens_id": house.ids["H75"], "distance_text": "12'"}


def test_it_is_a_reading_of_the_prep_in_its_own_words(house: House) -> None:
    prep = house.start()
    view = look(house, prep.id, -12.3).view
    assert (view.number, view.is_by_picture, view.setting, view.landing_um) == (1, True, "1", -12.3)
    assert view.reading_text == "by picture −12.3 ± 1.4 µm"
    assert view.landing_words == "12 µm short"
    # Picture, seat (1.5 µm) and .6 mm of setting, by the longitudinal magnification of a thin lens at 3 ft.
    distance_mm, f = 914.4, 50.0
    m = (distance_mm / f - 2 - math.sqrt((distance_mm / f - 2) ** 2 - 4)) / 2
    assert view.landing_sd_um == pytest.approx(math.hypot(0.7, 1.5, 0.6e3 * m * m), rel=1e-6)


def test_the_house_says_how_exactly_its_people_set_a_ring(house: House) -> None:
    prep, far = house.start(), far_away(house)
    usual = look(house, prep.id, 0.0, **far).view.landing_sd_um
    change_settings(house.record, settings=HouseSettings(setting_sd_mm=3.0), who=WHO)
    assert look(house, prep.id, 0.0, **far).view.landing_sd_um > usual + 10.0
    loose_um = pair_sd_um(house, prep.id)
    change_settings(house.record, settings=HouseSettings(setting_sd_mm=0.1), who=WHO)
    look(house, prep.id, 0.0, **far)
    assert pair_sd_um(house, prep.id) < 0.6 * loose_um


def pair_sd_um(house: House, prep_id: str) -> float:
    """How well the landing of the long lens on the body is known."""
    verdict = refresh_verdict(house.record, prep_id)
    assert verdict is not None
    pairs = verdict.document["pairs"]
    return next(float(one["sd_um"]) for one in pairs if (one["body"], one["lens"]) == ("A-01", "H75"))


@pytest.mark.slow
def test_repeats_of_one_setting_do_not_average_its_error_away_as_others_do(house: House) -> None:
    same, anew, far = house.start(), house.start(), far_away(house)
    change_settings(house.record, settings=HouseSettings(setting_sd_mm=3.0), who=WHO)
    for number in range(6):
        look(house, same.id, 0.0, **far)
        look(house, anew.id, 0.0, **far, setting=f"{number}")
    assert pair_sd_um(house, same.id) > 1.3 * pair_sd_um(house, anew.id)


def test_the_verdict_holds_its_landing_and_no_eye(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "on")
    saved = look(house, prep.id, -12.3).view
    verdict = refresh_verdict(house.record, prep.id)
    assert verdict is not None
    judged = {one["line"]: one["landing_um"] for one in verdict.document["readings"]}
    assert judged == {1: 0.0, 2: -12.3}
    view = preps.open_prep(house.record, prep.id).readings[1]
    assert view.id == saved.id
    assert view.weight is not None


def test_sent_twice_it_is_kept_once_and_another_under_its_id_is_a_conflict(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    first = look(house, prep.id, -1.0, id=reading_id)
    again = look(house, prep.id, -1.0, id=reading_id)
    assert (first.is_new, again.is_new, again.view.number) == (True, False, 1)
    with pytest.raises(Conflict, match="differ in landing_um"):
        look(house, prep.id, -2.0, id=reading_id)


def test_it_is_noted_withdrawn_taken_back_in_and_corrected(house: House) -> None:
    prep = house.start()
    one = look(house, prep.id, -1.0).view
    assert note_reading(house.record, one.id, note="lamp moved", who=WHO).note == "lamp moved"
    assert withdraw_reading(house.record, one.id, reason="lamp moved", who=WHO).is_withdrawn
    assert not undo_withdraw(house.record, one.id, who=WHO).is_withdrawn
    other = look(house, prep.id, -2.0, corrects=one.id).view
    views = preps.open_prep(house.record, prep.id).readings
    assert [(view.id, view.is_withdrawn) for view in views] == [(one.id, True), (other.id, False)]


@pytest.mark.parametrize(
    ("options", "field", "words"),
    [
        ({"landing_sd_um": None}, "landing_sd_um", "needs both"),
        ({"landing_sd_um": 0.0}, "landing_sd_um", "out of range"),
        ({"landing_um": 2000.0}, "landing_um", "out of range"),
        ({"landing_um": None}, "landing_um", "needs both"),
        ({"setting": "=1"}, "setting", "cannot start with ="),
        ({"distance_text": ""}, "distance_text", "nothing is typed"),
    ],
)
def test_what_cannot_be_is_refused_by_its_field(
    house: House, options: dict[str, object], field: str, words: str
) -> None:
    prep = house.start()
    with pytest.raises(InputError, match=words) as refused:
        look(house, prep.id, **{"landing_um": -1.0, **options})  # type: ignore[arg-type]
    assert refused.value.field == field


def test_a_reading_beside_it_is_refused(house: House) -> None:
    prep = house.start()
    with pytest.raises(InputError, match="stands beside a landing by picture"):
        house.read(prep.id, "on", landing_um=1.0, landing_sd_um=1.0)


def test_one_far_beyond_what_units_do_is_asked_about(house: House) -> None:
    prep = house.start()
    with pytest.raises(LandingBeyond):
        look(house, prep.id, 700.0, asks=True)
    assert look(house, prep.id, 700.0).is_new


@pytest.mark.slow
def test_it_travels_with_its_prep_and_as_a_readings_file(house: House, tmp_path: Path) -> None:
    prep = house.start()
    look(house, prep.id, -12.3)
    house.read(prep.id, "2' 11 1/2\"")
    look(house, prep.id, -11.9, setting="")
    text = export_prep(house.record, prep.id)
    empty_record(tmp_path / "other")
    with Record.open(tmp_path / "other") as other:
        assert import_prep(other, text, who=WHO).is_new
        there = preps.open_prep(other, prep.id).readings
    assert there == preps.open_prep(house.record, prep.id).readings
    file = export_readings_csv(house.record, prep.id)
    taken = import_readings(house.record, file.encode(), who=WHO, title="again")
    assert (taken.added, taken.warnings) == (3, ())
    assert export_readings_csv(house.record, taken.prep_id) == file
    assert import_readings(house.record, file.encode(), who=WHO).added == 0
    views = preps.open_prep(house.record, taken.prep_id).readings
    assert [
        (one.number, one.landing_um, one.picture_sd_um, one.setting) for one in views if one.is_by_picture
    ] == [
        (1, -12.3, 0.7, "1"),
        (3, -11.9, 0.7, ""),
    ]


def test_no_eye_is_judged_by_it(house: House) -> None:
    prep = house.start()
    for _ in range(4):
        look(house, prep.id, 5.0)
    assert repeatability(house.record, name=WHO, who=WHO).k is None
