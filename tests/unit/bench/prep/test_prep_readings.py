"""Readings of a prep: answered at once, kept once, refused in words, withdrawn and taken back."""

import math
import uuid

import pytest
from invented_house import WHO, House
from sqlalchemy import event

from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.house.units import add_unit
from shimwise.bench.house.views import LensFacts
from shimwise.bench.prep import preps
from shimwise.bench.prep.preview import preview_landing
from shimwise.bench.prep.reading_check import TypedReading
from shimwise.bench.prep.readings import undo_withdraw, withdraw_reading
from shimwise.bench.verdict.verdict import refresh_verdict


def newton_landing_um(focal_mm: float, distance_mm: float, reading_mm: float) -> float:
    """Extension difference by Newton's x x' = f²: another way than the magnification's closed form. [µm]"""

    def extension(distance_mm: float) -> float:
        if math.isinf(distance_mm):
            return 0.0
        gap = distance_mm - 2 * focal_mm
        return (gap - math.sqrt(gap**2 - 4 * focal_mm**2)) / 2

    return 1e3 * (extension(distance_mm) - extension(reading_mm))


def test_a_reading_is_answered_with_its_landing_by_newtons_form(house: House) -> None:
    saved = house.read(house.start().id, "2' 11 1/2\"")
    assert saved.view.landing_um == pytest.approx(newton_landing_um(50, 914.4, 901.7), rel=1e-9)
    assert saved.view.landing_words.endswith("µm short")
    assert saved.view.agreement == "first"
    assert saved.view.reading_text == "2' 11 1/2\""
    assert saved.is_new


def test_the_answer_at_once_is_what_the_judge_reckons_later(house: House) -> None:
    prep = house.start()
    saved = [house.read(prep.id, text).view for text in ("3'", 'short by 1/8"', 'deep by 1/8"')]
    verdict = refresh_verdict(house.record, prep.id)
    assert verdict is not None
    judged = {one["line"]: one["landing_um"] for one in verdict.document["readings"]}
    for view in saved:
        assert view.landing_um == pytest.approx(judged[view.number], abs=6e-4)  # written to a nanometre


def test_a_reading_sent_twice_is_kept_once_and_answered_as_the_first_time(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    first = house.read(prep.id, "3'", id=reading_id)
    house.read(prep.id, 'short by 1/8"')
    again = house.read(prep.id, "3'", id=reading_id)
    assert not again.is_new
    assert (again.view.number, again.view.landing_um) == (first.view.number, first.view.landing_um)
    assert len(preps.open_prep(house.record, prep.id).readings) == 2


def test_a_saved_reading_costs_few_statements(house: House) -> None:
    # Twenty people save in one instant, one after the other: each statement is waited for twenty times.
    prep, sent = house.start(), []
    house.read(prep.id, "3'", id=uuid.uuid4().hex)
    refresh_verdict(house.record, prep.id)
    house.read(prep.id, 'short by 1/8"', id=uuid.uuid4().hex)  # looks up what the next one needs too

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        sent.append(statement.split(maxsplit=1)[0])

    event.listen(house.record.engine, "before_cursor_execute", note)
    house.read(prep.id, 'deep by 1/8"', id=uuid.uuid4().hex)
    event.remove(house.record.engine, "before_cursor_execute", note)
    assert [one for one in sent if one != "BEGIN"] == ["SELECT", "UPDATE", "INSERT", "INSERT"]


def test_a_reading_sent_again_is_answered_though_its_prep_is_closed(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    first = house.read(prep.id, "3'", id=reading_id)
    preps.close_prep(house.record, prep.id, who=WHO)
    again = house.read(prep.id, "3'", id=reading_id)
    assert not again.is_new
    assert again.view.number == first.view.number
    with pytest.raises(Conflict, match="closed"):
        house.read(prep.id, "3'", id=uuid.uuid4().hex)
    assert [one.number for one in preps.open_prep(house.record, prep.id).readings] == [1]


def test_the_same_id_with_another_reading_is_a_conflict(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    house.read(prep.id, "3'", id=reading_id)
    with pytest.raises(Conflict, match="differ in reading_mm, reading_text"):
        house.read(prep.id, "2' 11\"", id=reading_id)


def test_the_same_id_at_another_distance_is_a_conflict_and_tapes_nothing(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    house.read(prep.id, "2' 11 1/2\"", id=reading_id)
    with pytest.raises(Conflict, match="another reading already, at 3' and not at 6'"):
        house.read(prep.id, "2' 11 1/2\"", id=reading_id, distance_text="6'")
    assert [setup.distance_text for setup in preps.open_prep(house.record, prep.id).setups] == ["3'"]


def test_a_reading_sent_again_after_its_distance_was_taped_anew_gets_its_first_answer(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    first = house.read(prep.id, "on", id=reading_id)
    preps.tape_setup(house.record, prep.id, body_id=house.ids["A-01"], distance_text="3'", who=WHO)
    again = house.read(prep.id, "on", id=reading_id)
    assert (again.is_new, again.view.setup_id) == (False, first.view.setup_id)


def test_a_reading_sent_again_after_the_prep_was_closed_gets_its_first_answer(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    house.read(prep.id, "3'", id=reading_id)
    preps.close_prep(house.record, prep.id, who=WHO)
    assert not house.read(prep.id, "3'", id=reading_id).is_new
    with pytest.raises(Conflict, match=r"This prep is closed\. Open it again"):
        house.read(prep.id, "3'")


def test_the_revision_that_is_answered_is_the_one_that_is_kept(house: House) -> None:
    prep = house.start()
    for text in ("3'", 'short by 1/8"'):  # the first makes the set-up too
        assert house.read(prep.id, text).revision == preps.open_prep(house.record, prep.id).revision


def test_readings_at_one_distance_share_the_set_up_however_it_is_written(house: House) -> None:
    prep = house.start()
    for distance in ("3'", "36 in", "914.4 mm"):
        house.read(prep.id, "on", distance_text=distance)
    view = preps.open_prep(house.record, prep.id)
    assert [setup.name for setup in view.setups] == ["A-01 at 3'"]


@pytest.mark.parametrize(
    ("options", "field", "match"),
    [
        (
            {"reading_text": "6 in"},
            "reading_text",
            "inside the near limit of H50: it can be sharp from 200.0",
        ),
        ({"distance_text": "150 mm"}, "distance_text", "inside the near limit of H50"),
        ({"focal_mm": 51.0}, "focal_mm", "H50 is 51 mm here, but 50 mm in the record"),
        ({"fnumber": 0.1}, "fnumber", "accepted is a number from 0.5 to 64"),
        ({"axis": "vertical"}, "axis", "H50 has no squeeze"),
        ({"reading_text": "3"}, "reading_text", "the number has no unit"),
        ({"operator": "=1+1"}, "operator", "cannot start with ="),
        ({"operator": " "}, "operator", "is empty"),
        ({"distance_text": ""}, "distance_text", "nothing is typed yet: a length"),
        ({"reading_text": " "}, "reading_text", "nothing is typed yet: where the scale stands"),
        ({"id": "mine"}, "id", "32 hexadecimal digits"),
        ({"lens_id": "0" * 32}, "lens_id", "no lens of this prep"),
        ({"setup_id": "0" * 32}, "setup_id", "no set-up of A-01 in this prep"),
    ],
)
def test_what_cannot_be_is_refused_by_its_field_and_nothing_is_kept(
    house: House, options: dict[str, object], field: str, match: str
) -> None:
    prep = house.start()
    with pytest.raises(InputError, match=match) as told:
        house.read(prep.id, **{"reading_text": "3'", **options})  # type: ignore[arg-type]
    assert told.value.field == field
    after = preps.open_prep(house.record, prep.id)
    assert (after.readings, after.setups, after.revision) == ((), (), prep.revision)


def test_a_zoom_has_to_say_at_which_focal_length_it_was_read(house: House) -> None:
    facts = LensFacts(name="Z", focal_lengths_mm=(24.0, 80.0), fnumber=2.8)
    zoom = add_unit(house.record, facts=facts, who=WHO)
    prep = house.start(lens_ids=[zoom.id])
    with pytest.raises(InputError, match=r"Z is a zoom\. Say at which focal length it was read, 24 to 80 mm"):
        house.read(prep.id, "3'", lens_id=zoom.id)
    assert house.read(prep.id, "3'", lens_id=zoom.id, focal_mm=50.0).view.focal_mm == 50


def test_a_reading_apart_from_the_others_is_told_before_any_verdict(house: House) -> None:
    prep = house.start()
    for text in ('short by 1/8"', 'short by 1/4"', 'short by 1/8"'):
        assert house.read(prep.id, text).view.agreement in {"first", "agrees"}
    saved = house.read(prep.id, "4'")  # a foot misread
    assert saved.view.agreement == "apart"
    assert saved.view.agreement_words.endswith("deeper than the others say: read it again")


def test_a_reading_apart_from_what_the_verdict_says_is_told(house: House) -> None:
    prep = house.start()
    for text in ('short by 1/8"', 'short by 1/4"', 'short by 1/8"', "on"):
        house.read(prep.id, text)
    refresh_verdict(house.record, prep.id)
    good = house.read(prep.id, 'short by 1/8"').view
    bad = house.read(prep.id, "2' 8\"").view
    assert (good.agreement, good.agreement_words) == ("agrees", "agrees with the others")
    assert bad.agreement == "apart"
    assert "shorter than the others say" in bad.agreement_words


def test_a_preview_says_what_saving_then_says_and_keeps_nothing(house: House) -> None:
    prep = house.start()
    typed = {
        "body_id": house.ids["A-01"],
        "lens_id": house.ids["H35"],
        "distance_text": "6'",
        "reading_text": 'deep by 1/2"',
    }
    preview = preview_landing(house.record, prep.id, TypedReading(**typed))
    assert preps.open_prep(house.record, prep.id).setups == ()
    saved = house.read(prep.id, 'deep by 1/2"', lens_id=house.ids["H35"], distance_text="6'").view
    assert (preview.landing_um, preview.landing_sd_um) == (saved.landing_um, saved.landing_sd_um)
    assert preview.reading_text == "6' 1/2\""
    assert preview.words.startswith("6' 1/2\" is ")


def test_a_withdrawn_reading_stays_with_its_reason_and_is_judged_no_more(house: House) -> None:
    prep = house.start()
    kept = house.read(prep.id, "3'").view
    slip = house.read(prep.id, "4'").view
    gone = withdraw_reading(house.record, slip.id, reason="ring slipped", who=WHO)
    assert (gone.is_withdrawn, gone.withdrawn_reason, gone.withdrawn_by) == (True, "ring slipped", WHO)
    verdict = refresh_verdict(house.record, prep.id)
    assert verdict is not None
    assert [one["line"] for one in verdict.document["readings"]] == [kept.number]
    back = undo_withdraw(house.record, slip.id, who=WHO)
    assert not back.is_withdrawn
    after = refresh_verdict(house.record, prep.id)
    assert after is not None
    assert len(after.document["readings"]) == 2


def test_a_withdrawal_needs_a_reason_and_the_right_prep(house: House) -> None:
    prep, other = house.start(), house.start()
    reading = house.read(prep.id, "3'").view
    with pytest.raises(InputError, match="is empty"):
        withdraw_reading(house.record, reading.id, reason=" ", who=WHO)
    with pytest.raises(NotFound, match="no reading"):
        withdraw_reading(house.record, reading.id, reason="slip", who=WHO, prep_id=other.id)
    assert not preps.open_prep(house.record, prep.id).readings[0].is_withdrawn
