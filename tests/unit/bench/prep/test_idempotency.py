"""Readings that come late or twice: at the time they were taken, in the state that was read, kept once."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.house import units as houses
from shimwise.bench.house.views import LensFacts
from shimwise.bench.prep import preps
from shimwise.record.queries import units, verdicts
from shimwise.record.tables.mapping import UNIT_ROWS
from shimwise.record.tables.rows import AdjustmentRow

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


class Clock:
    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        return self.now

    def pass_s(self, seconds: float) -> datetime:
        self.now += timedelta(seconds=seconds)
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def adjust(house: House, kind: str, name: str) -> None:
    with house.record.writing(who=WHO) as change:
        epoch = units.unit(change.connection, UNIT_ROWS[kind], house.ids[name]).epoch
        verdicts.add_adjustment(
            change,
            AdjustmentRow(
                id=uuid.uuid4().hex,
                unit_kind=kind,
                unit_id=house.ids[name],
                epoch_before=epoch,
                epoch_after=epoch + 1,
                action="screw",
                made_by=WHO,
                made_at=change.at,
            ),
        )


def test_a_reading_that_waited_keeps_the_time_at_which_it_was_taken(house: House, clock: Clock) -> None:
    prep = house.start()
    clock.pass_s(3600)
    assert house.read(prep.id, "3'", age_s=600.0).view.taken_at == clock.now - timedelta(seconds=600)
    at = clock.now - timedelta(seconds=90)
    assert house.read(prep.id, "3'", taken_at=at).view.taken_at == at
    assert house.read(prep.id, "3'").view.taken_at == clock.now


def test_a_clock_that_is_a_little_fast_tells_no_later_time_than_the_arrival(
    house: House, clock: Clock
) -> None:
    prep = house.start()
    clock.pass_s(60)
    ahead = clock.now + timedelta(seconds=120)
    assert house.read(prep.id, "3'", taken_at=ahead).view.taken_at == clock.now


@pytest.mark.parametrize(
    ("said", "field", "match"),
    [
        ({"taken_at": NOON + timedelta(hours=2)}, "taken_at", "lies in the future: it is 2026-03-04 12:01"),
        ({"taken_at": NOON - timedelta(hours=2)}, "taken_at", "before the prep began"),
        ({"age_s": 7200.0}, "age_s", "no age of a reading of this prep, which began 60 s ago"),
        ({"age_s": -1.0}, "age_s", "no age of a reading"),
        ({"age_s": float("nan")}, "age_s", "no age of a reading"),
        ({"age_s": 1.0, "taken_at": NOON}, "taken_at", "beside age_s"),
    ],
)
def test_a_time_that_cannot_be_is_refused_and_nothing_is_kept(
    house: House, clock: Clock, said: dict[str, object], field: str, match: str
) -> None:
    prep = house.start()
    clock.pass_s(60)
    with pytest.raises(InputError, match=match) as told:
        house.read(prep.id, "3'", **said)
    assert told.value.field == field
    after = preps.open_prep(house.record, prep.id)
    assert (after.readings, after.setups, after.revision) == ((), (), prep.revision)


@pytest.mark.parametrize(("kind", "name"), [("body", "A-01"), ("lens", "H50")])
@pytest.mark.slow
def test_a_reading_taken_before_an_adjustment_and_sent_after_it_is_refused(
    house: House, clock: Clock, kind: str, name: str
) -> None:
    prep = house.start()
    clock.pass_s(600)
    adjust(house, kind, name)
    clock.pass_s(600)
    with pytest.raises(Conflict, match=f"{name} was adjusted after this was read and before it arrived"):
        house.read(prep.id, "3'", age_s=900.0)
    assert house.read(prep.id, "3'", age_s=300.0).is_new  # read after it


def test_an_adjustment_of_another_lens_refuses_no_reading(house: House, clock: Clock) -> None:
    prep = house.start()
    clock.pass_s(600)
    adjust(house, "lens", "H35")
    clock.pass_s(600)
    assert house.read(prep.id, "3'", age_s=900.0).is_new


def test_a_reading_that_was_kept_before_the_adjustment_gets_its_first_answer(
    house: House, clock: Clock
) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    clock.pass_s(60)
    first = house.read(prep.id, "3'", id=reading_id, age_s=1.0)
    clock.pass_s(60)
    adjust(house, "lens", "H50")
    clock.pass_s(60)
    again = house.read(prep.id, "3'", id=reading_id, age_s=121.0)
    assert (again.is_new, again.view.taken_at) == (False, first.view.taken_at)


def test_a_reading_sent_again_after_its_lens_was_changed_gets_its_first_answer(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    first = house.read(prep.id, "on", id=reading_id)
    facts = LensFacts(name="H50", mount="PL", focal_lengths_mm=(50.0,), fnumber=2.8)
    houses.change_unit(house.record, house.ids["H50"], facts=facts, who=WHO)
    again = house.read(prep.id, " on ", id=reading_id)
    assert (again.is_new, again.view.number, again.view.fnumber) == (False, first.view.number, 2.0)
    assert again.revision == first.revision
    assert len(preps.open_prep(house.record, prep.id).readings) == 1


def test_on_sent_again_after_the_set_up_was_taped_in_other_words_gets_its_first_answer(
    house: House, clock: Clock
) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    house.read(prep.id, "on", id=reading_id)
    clock.pass_s(60)
    preps.tape_setup(house.record, prep.id, body_id=house.ids["A-01"], distance_text="36 in", who=WHO)
    again = house.read(prep.id, "on", id=reading_id)
    assert (again.is_new, again.view.reading_text) == (False, "3'")


def test_another_reading_under_a_kept_id_is_still_a_conflict(house: House) -> None:
    prep, reading_id = house.start(), uuid.uuid4().hex
    house.read(prep.id, "on", id=reading_id)
    with pytest.raises(Conflict, match="differ in note"):
        house.read(prep.id, "on", id=reading_id, note="another")
