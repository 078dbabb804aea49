"""Each kind of row comes back as it went in, on both databases, and once only."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from invented_rows import (
    BODY,
    LENS,
    NOON,
    SET,
    a_house,
    a_job,
    a_prep,
    a_reading,
    a_setup,
    a_verdict,
    a_whole_job,
)
from sqlalchemy import select

from shimwise.record import journal
from shimwise.record.errors import Conflict, NotFound
from shimwise.record.journal import Change
from shimwise.record.queries import evidence, preps, sets, settings, units
from shimwise.record.queries import verdicts as given
from shimwise.record.record import Record
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import row_by_id
from shimwise.record.tables.rows import BodyRow, LensRow, ReadingRow


def test_units_and_sets_come_back_as_they_went_in(record: Record) -> None:
    with record.writing(who="Ann") as change:
        a_house(change)
    with record.reading() as connection:
        assert units.unit(connection, BodyRow, "body-a") == BODY
        assert units.unit(connection, LensRow, "lens-50") == LENS
        assert units.unit(connection, LensRow, "lens-50").by_distance[1][0] == math.inf
        assert sets.set_of(connection, "set-1") == SET
        assert sets.sets_of_lens(connection, "lens-50") == [SET]


def test_a_unit_is_found_by_its_name_whatever_its_case_and_spaces(record: Record) -> None:
    with record.writing(who="Ann") as change:
        a_house(change)
    with record.reading() as connection:
        assert units.unit_by_name(connection, BodyRow, "  BODY   a ") == BODY
        assert units.unit_by_name(connection, LensRow, "LENS 50 Α") == LENS  # the capital alpha
        assert units.unit_by_name(connection, LensRow, "Lens 51") is None


@pytest.mark.parametrize(
    ("search", "found"), [("50", ["Lens 50 α"]), ("ZO", ["Zoom"]), ("%", []), ("", [LENS.name, "Zoom"])]
)
def test_a_list_of_lenses_is_searched_by_part_of_a_name(
    record: Record, search: str, found: list[str]
) -> None:
    with record.writing(who="Ann") as change:
        a_house(change)
    with record.reading() as connection:
        assert [lens.name for lens in units.units(connection, LensRow, search=search)] == found


def test_a_list_goes_on_after_the_last_one_seen(record: Record) -> None:
    with record.writing(who="Ann") as change:
        for number in range(7):
            units.add_unit(
                change, replace(BODY, id=f"b{number}", name=f"Body {number}", is_retired=number == 3)
            )
    with record.reading() as connection:
        first = units.units(connection, BodyRow, limit=4)
        rest = units.units(connection, BodyRow, limit=4, after=first[-1].id)
        assert [body.name[-1] for body in first + rest] == list("012456")
        assert len(units.units(connection, BodyRow, has_retired=True)) == 7


def test_two_units_cannot_have_one_name(record: Record) -> None:
    with record.writing(who="Ann") as change:
        a_house(change)
    with pytest.raises(Conflict, match="a body named BODY A already"), record.writing(who="Ann") as change:
        units.add_unit(change, replace(BODY, id="other", name="BODY A"))
    with record.writing(who="Ann") as change:
        units.add_unit(change, replace(BODY, id="other", name="Body B"))
    with pytest.raises(Conflict, match="already"), record.writing(who="Ann") as change:
        units.change_unit(change, replace(BODY, id="other"))


def test_a_changed_unit_says_in_the_journal_what_it_was(record: Record) -> None:
    with record.writing(who="Ann") as change:
        a_house(change)
    with record.writing(who="Bo") as change:
        units.change_unit(change, replace(BODY, note="new seat", tolerance_um=8.0, epoch=7))
    with record.reading() as connection:
        assert units.unit(connection, BodyRow, "body-a").epoch == 0  # adjustments alone raise it
        line = journal.journal_of_unit(connection, "body-a")[0]
    assert (line.who, line.what) == ("Bo", "body changed")
    assert line.detail == {"note": ["", "new seat"], "tolerance_um": [None, 8.0]}


def test_a_set_keeps_the_order_of_its_lenses(record: Record) -> None:
    with record.writing(who="Ann") as change:
        a_house(change)
        sets.change_set(change, replace(SET, lens_ids=("lens-50", "lens-zoom")))
    with record.reading() as connection:
        assert sets.set_of(connection, "set-1").lens_ids == ("lens-50", "lens-zoom")
        assert [row.id for row in sets.sets(connection)] == ["set-1"]


def test_readings_are_numbered_in_the_order_they_came(record: Record) -> None:
    a_job(record, readings=4)
    with record.reading() as connection:
        kept = evidence.readings(connection, "prep-1")
    assert [row.seq for row in kept] == [1, 2, 3, 4]
    assert kept[0] == replace(a_reading(1), seq=1)


def test_what_is_sent_twice_is_kept_once_and_answered_as_the_first_time(record: Record) -> None:
    a_job(record, readings=1)
    with record.writing(who="Bo") as change:
        again = evidence.add_reading(change, a_reading(1, taken_at=NOON + timedelta(days=1)))
        preps.add_prep(change, a_prep(started_at=NOON + timedelta(days=1), started_by="Bo"))
        evidence.add_setup(change, a_setup(taped_at=NOON + timedelta(days=1)))
    with record.reading() as connection:
        assert evidence.readings(connection, "prep-1") == [again]
        assert preps.prep(connection, "prep-1").revision == 2
        assert preps.prep(connection, "prep-1").started_by == "Ann"
    assert again.taken_at == a_reading(1).taken_at


def test_an_id_cannot_be_used_for_something_else(record: Record) -> None:
    a_job(record)
    with (
        pytest.raises(Conflict, match="differ in reading_mm, reading_text"),
        record.writing(who="Bo") as change,
    ):
        evidence.add_reading(change, a_reading(1, reading_mm=900.0, reading_text="0.9 m"))


def test_a_reading_of_a_unit_that_is_not_there_is_refused_and_nothing_is_left(record: Record) -> None:
    a_job(record)
    with pytest.raises(Conflict, match="contradicts what is kept"), record.writing(who="Bo") as change:
        evidence.add_reading(change, a_reading(8, lens_id="no such lens"))
    with pytest.raises(NotFound, match=r"no prep \[prep-9\]"), record.writing(who="Bo") as change:
        evidence.add_reading(change, a_reading(8, prep=9))
    with record.reading() as connection:
        assert len(evidence.readings(connection, "prep-1")) == 3
        assert preps.prep(connection, "prep-1").revision == 4


def test_a_withdrawn_reading_stays_with_its_reason_and_can_come_back(record: Record) -> None:
    a_job(record)
    with record.writing(who="Bo") as change:
        out = evidence.withdraw(change, ReadingRow, "reading-1-2", reason="bumped the stand")
    with record.reading() as connection:
        assert row_by_id(connection, ReadingRow, "reading-1-2") == out
        assert len(evidence.readings(connection, "prep-1")) == 3
    assert (out.withdrawn_by, out.withdrawn_reason) == ("Bo", "bumped the stand")
    assert out.withdrawn_at is not None
    with pytest.raises(Conflict, match="withdrawn already, by Bo"), record.writing(who="Ann") as change:
        evidence.withdraw(change, ReadingRow, "reading-1-2", reason="another")
    with record.writing(who="Ann") as change:
        back = evidence.unwithdraw_reading(change, "reading-1-2")
    assert back == replace(a_reading(2), seq=2)
    with record.reading() as connection:
        last = journal.journal_after(connection, 0, prep_id="prep-1")[-1]
    assert last.detail["reason_was"] == "bumped the stand"


def test_nothing_is_withdrawn_without_a_reason(record: Record) -> None:
    a_job(record)
    with pytest.raises(Conflict, match="say why"), record.writing(who="Bo") as change:
        evidence.withdraw(change, ReadingRow, "reading-1-2", reason="  ")


def test_the_past_of_a_unit_is_what_the_latest_verdict_of_each_prep_said(record: Record) -> None:
    a_job(record)
    with record.writing(who="Ann") as change:
        preps.add_prep(change, a_prep(2))
        for row in (a_verdict(4), a_verdict(1, prep=2), a_verdict(3)):
            given.add_verdict(change, row)
    with record.reading() as connection:
        past = given.unit_past(connection, "body-a")
        assert [(line.prep_id, line.given_at) for line in past] == [
            ("prep-1", a_verdict(4).given_at),
            ("prep-2", a_verdict(1, prep=2).given_at),
        ]
        assert past[0].prep_title == "Invented job 1"
        assert (past[0].error_um, past[0].verdict, past[0].unit_kind) == (-14.5, "out_short", "body")
        assert given.unit_past(connection, "lens-50")[0].error_um == 1.5
        assert given.unit_past(connection, "lens-zoom") == []
        assert given.unit_latest(connection, ["body-a", "lens-zoom"]) == {"body-a": past[1]}
        latest = given.latest_verdict(connection, "prep-1")
        assert latest == a_verdict(4)
        assert [row.revision for row in given.verdicts_of(connection, "prep-1")] == [3, 4]


def test_an_adjustment_parts_two_epochs_and_is_not_made_twice(record: Record) -> None:
    a_whole_job(record)
    with record.reading() as connection:
        assert units.unit(connection, BodyRow, "body-a").epoch == 1
        (made,) = given.unit_adjustments(connection, "body-a")
        assert given.adjustments(connection, "prep-1") == [made]
    assert made.steps == ({"step": "unlock"}, {"step": "turn"})
    with record.writing(who="Bo") as change:
        given.add_adjustment(change, made)  # sent again
    with pytest.raises(Conflict, match="adjusted it meanwhile"), record.writing(who="Bo") as change:
        given.add_adjustment(change, replace(made, id="another"))
    with record.reading() as connection:
        assert units.unit(connection, BodyRow, "body-a").epoch == 1


def test_preps_are_listed_newest_first_and_page_by_page(record: Record) -> None:
    a_job(record)
    with record.writing(who="Ann") as change:
        for number in range(2, 8):
            preps.add_prep(change, a_prep(number, started_at=NOON + timedelta(hours=number // 2)))
        preps.change_state(change, "prep-3", "done")
    with record.reading() as connection:
        pages = []
        before = None
        while page := preps.prep_lines(connection, limit=3, before=before):
            pages.append([line.id[-1] for line in page])
            before = page[-1].id
        assert pages == [["7", "6", "5"], ["4", "3", "2"], ["1"]]
        assert [line.started_at for line in preps.prep_lines(connection)] == sorted(
            (line.started_at for line in preps.prep_lines(connection)), reverse=True
        )
        assert [line.id for line in preps.prep_lines(connection, state="done")] == ["prep-3"]
        assert len(preps.prep_lines(connection, state="open")) == 6


def test_a_line_of_the_list_says_what_is_in_the_prep(record: Record) -> None:
    a_whole_job(record)
    with record.reading() as connection:
        (line,) = preps.prep_lines(connection)
        assert preps.unit_preps(connection, "lens-50") == [line]
    assert (line.bodies, line.lens_count, line.set_name) == (("Body A",), 2, "Set 1")
    assert (line.reading_count, line.state) == (3, "signed")  # of four, one is withdrawn
    assert line.headline.startswith("Body A is out")


@pytest.mark.parametrize("search", ["job 1", "JOB 1", "body a", "zoom", "0001"])
def test_a_prep_is_found_by_its_title_or_by_a_unit(record: Record, search: str) -> None:
    a_job(record)
    with record.reading() as connection:
        assert [line.id for line in preps.prep_lines(connection, search=search)] == ["prep-1"]
        assert preps.prep_lines(connection, search="nothing like it") == []


def test_units_added_to_a_prep_stand_behind_the_others(record: Record) -> None:
    with record.writing(who="Ann") as change:
        a_house(change)
        units.add_unit(change, replace(BODY, id="body-b", name="Body B"))
        preps.add_prep(change, a_prep(lens_ids=("lens-zoom",)))
        preps.add_units(change, "prep-1", body_ids=("body-b", "body-a"), lens_ids=("lens-50",))
        grown = preps.prep(change.connection, "prep-1")
    assert (grown.body_ids, grown.lens_ids) == (("body-a", "body-b"), ("lens-zoom", "lens-50"))
    assert grown.revision == 1


def test_every_change_raises_the_revision_of_its_prep(record: Record) -> None:
    a_job(record, readings=1)
    seen = []
    for step in (
        lambda change: evidence.add_reading(change, a_reading(2)),
        lambda change: evidence.withdraw(change, ReadingRow, "reading-1-2", reason="bumped"),
        lambda change: evidence.unwithdraw_reading(change, "reading-1-2"),
        lambda change: evidence.add_setup(change, a_setup(3)),
        lambda change: preps.change_state(change, "prep-1", "done"),
        lambda change: preps.change_state(change, "prep-1", "open"),
    ):
        with record.writing(who="Ann") as change:
            step(change)
        with record.reading() as connection:
            seen.append(preps.prep(connection, "prep-1").revision)
    assert seen == [3, 4, 5, 6, 7, 8]


def test_times_come_back_as_utc_to_the_microsecond(record: Record) -> None:
    a_job(record)
    east = datetime(2025, 3, 1, 22, 0, 0, 999999, tzinfo=timezone(timedelta(hours=9)))
    with record.writing(who="Ann") as change:
        evidence.add_reading(change, a_reading(5, taken_at=east))
    with record.reading() as connection:
        taken_at = row_by_id(connection, ReadingRow, "reading-1-5").taken_at
    assert taken_at == east
    assert taken_at.tzinfo is UTC


def test_whoever_writes_is_remembered_once(record: Record) -> None:
    for name in ("Ann", "ann", "Bo", "Ann"):
        with record.writing(who=name):
            pass
    with record.reading() as connection:
        names = connection.execute(select(schema.people.c.name).order_by(schema.people.c.name)).scalars()
        assert list(names) == ["Ann", "Bo"]


def test_settings_come_back_and_can_be_taken_away(record: Record) -> None:
    with record.writing(who="Ann") as change:
        settings.change_setting(change, "house", {"units": "ft", "by_mount": {"Invented": 8.0}})
        settings.change_setting(change, "secret", "x")
        settings.change_setting(change, "secret", None)
    with record.reading() as connection:
        assert settings.setting(connection, "house") == {"units": "ft", "by_mount": {"Invented": 8.0}}
        assert settings.setting(connection, "secret") is None


def test_the_journal_has_no_holes_where_a_change_was_given_up(record: Record) -> None:
    a_job(record, readings=1)
    for _ in range(3):
        with pytest.raises(ZeroDivisionError), record.writing(who="Ann") as change:
            _add_and_give_up(change)
    with record.writing(who="Ann") as change:
        evidence.add_reading(change, a_reading(3))
    with record.reading() as connection:
        lines = journal.journal_after(connection, 0)
        assert [line.seq for line in lines] == list(range(1, len(lines) + 1))
        assert journal.last_seq(connection) == len(lines)
        assert journal.last_seq(connection, prep_id="prep-1") == len(lines)
        assert [row.id for row in evidence.readings(connection, "prep-1")] == ["reading-1-1", "reading-1-3"]


def _add_and_give_up(change: Change) -> None:
    evidence.add_reading(change, a_reading(2))
    raise ZeroDivisionError
