"""A machine that was away comes home: what it did is at home, what it needs is along, and nothing is lost."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from invented_house import WHO, House

from record_template import empty_record
from shimwise.bench.exchange import record_admin
from shimwise.bench.exchange.sync import at_home, sync
from shimwise.bench.exchange.sync_plan import Keep, WaitingCause, Way
from shimwise.bench.exchange.sync_report import SyncReport
from shimwise.bench.exchange.sync_side import RecordSide
from shimwise.bench.exchange.sync_words import sync_lines
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts
from shimwise.bench.prep import preps, readings
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.sign import signing
from shimwise.bench.sign.signing import Exempt
from shimwise.bench.verdict.histories import KEPT, keep_history
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.exchange.row_json import ExchangeError
from shimwise.record.exchange.sync_rows import prep_entry, unit_entries
from shimwise.record.queries import evidence, verdicts
from shimwise.record.queries import units as house_units
from shimwise.record.queries.epochs import shifted
from shimwise.record.record import Record
from shimwise.record.tables.rows import AdjustmentRow, BodyRow, LensRow


@dataclass
class Two:
    """A truck and its home."""

    truck: Record
    home: Record
    house: House

    def sync(self, *, of: type[RecordSide] = RecordSide, **options: object) -> SyncReport:
        side = of(self.home, who=WHO, is_home=True, machine="truck")
        chosen: dict[str, object] = {"who": WHO, "address": "home", "machine": "truck", **options}
        return sync(self.truck, side, **chosen)  # type: ignore[arg-type]

    def away(self) -> House:
        return replace(self.house, record=self.truck)


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Two]:
    for name in ("truck", "home"):
        empty_record(tmp_path / name)
    with Record.open(tmp_path / "truck") as truck, Record.open(tmp_path / "home") as home:
        yield Two(truck, home, House.in_record(home))


def digests(record: Record) -> dict[str, str]:
    """Return what is compared of all preps and units of a record."""
    with record.reading() as connection:
        found = {one.id: one.digest for one in unit_entries(connection)}
    for line in preps.list_preps(record).preps:
        found[line.id] = prep_entry(record_admin.prep_document(record, line.id)).digest
    return found


def texts(record: Record, prep_id: str) -> list[tuple[int, str]]:
    with record.reading() as connection:
        return [(row.seq, row.reading_text) for row in evidence.readings(connection, prep_id)]


@pytest.mark.slow
def test_open_preps_and_units_are_taken_along_and_a_second_sync_does_nothing(two: Two) -> None:
    prep = two.house.start(title="bay one")
    two.house.read(prep.id, "on")
    first = two.sync()
    assert {(one.way, one.kind) for one in first.done} == {
        (Way.HERE, kind) for kind in ("body", "lens", "set", "prep")
    }
    assert digests(two.truck) == digests(two.home)
    again = two.sync()
    assert (again.done, again.waiting) == ((), ())
    known = at_home(two.truck)
    assert known is not None
    assert known.to_bring == 0


def test_a_dry_run_says_the_same_and_writes_nothing(two: Two) -> None:
    two.house.start(title="bay one")
    said = two.sync(is_dry_run=True)
    assert digests(two.truck) == {}
    assert [(one.way, one.id) for one in said.done] == [(one.way, one.id) for one in two.sync().done]


@pytest.mark.slow
def test_what_was_read_and_signed_away_is_at_home_and_holds(two: Two) -> None:
    prep = two.house.start(title="bay one")
    two.sync()
    two.away().read(prep.id, "on")
    two.away().read(prep.id, 'short by 1/4"')
    sign(two.truck, prep.id)
    known = at_home(two.truck)
    assert known is not None
    assert known.to_bring == 1
    done = two.sync()
    assert [(one.way, one.kind) for one in done.done if one.kind == "prep"] == [(Way.HOME, "prep")]
    assert digests(two.truck) == digests(two.home)
    assert record_admin.check(two.home) == ()
    assert record_admin.check(two.truck) == ()
    assert preps.open_prep(two.home, prep.id).state == "signed"
    assert two.sync().done == ()


@pytest.mark.slow
def test_readings_of_both_sides_are_joined_by_their_ids(two: Two) -> None:
    prep = two.house.start(title="bay one")
    two.house.read(prep.id, "on")
    two.sync()
    two.house.read(prep.id, "2' 11 1/2\"")
    two.away().read(prep.id, "2' 11 3/4\"")
    done = two.sync()
    expected = [(1, "3'"), (2, "2' 11 1/2\""), (3, "2' 11 3/4\"")]
    assert texts(two.truck, prep.id) == texts(two.home, prep.id) == expected
    assert {one.code: dict(one.values) for one in done.notices} == {
        "renumbered": {"count": 1, "was": 2, "now": 3}
    }
    assert two.sync().done == ()
    assert record_admin.check(two.home) == record_admin.check(two.truck) == ()


@pytest.mark.slow
@pytest.mark.parametrize("side", ["truck", "home"])
def test_a_signed_prep_stands_and_what_the_other_had_is_kept_beside(two: Two, side: str) -> None:
    prep = two.house.start(title="bay one")
    two.house.read(prep.id, "on")
    two.sync()
    signer, other = (two.truck, two.house) if side == "truck" else (two.home, two.away())
    other.read(prep.id, "2' 11 1/2\"")
    other.read(prep.id, "2' 11 3/4\"", distance_text="6'")
    refresh_verdict(other.record, prep.id)
    sign(signer, prep.id)
    done = two.sync()
    (notice,) = done.notices
    assert (notice.code, notice.values["readings"]) == ("signed_stands", 2)
    for record in (two.truck, two.home):
        assert texts(record, prep.id) == [(1, "3'")]
        assert texts(record, notice.values["id"]) == [(1, "2' 11 1/2\""), (2, "2' 11 3/4\"")]
        assert record_admin.check(record) == ()
        assert preps.open_prep(record, prep.id).state == "signed"
    assert digests(two.truck) == digests(two.home)
    assert two.sync().done == ()


def test_a_unit_that_both_changed_waits_until_a_person_chooses(two: Two) -> None:
    two.sync()
    body = two.house.ids["A-01"]
    for record, name in ((two.truck, "A-01 truck"), (two.home, "A-01 bay")):
        units.change_unit(record, body, facts=BodyFacts(name=name, mount="PL"), who=WHO)
    for _ in range(2):
        (waits,) = two.sync().waiting
        assert waits.cause is WaitingCause.CHANGED_BOTH
        assert [(one.field, one.here, one.home) for one in waits.fields] == [
            ("name", "A-01 truck", "A-01 bay")
        ]
    done = two.sync(keep=Keep(for_all=Way.HERE))
    assert done.waiting == ()
    assert units.show_unit(two.home, BodyFacts, body).unit.facts.name == "A-01 truck"
    assert two.sync().done == ()


def test_of_a_mechanism_that_both_changed_the_parts_that_differ_are_said(two: Two) -> None:
    two.sync()
    for record, um_per_turn in ((two.truck, 340.0), (two.home, 360.0)):
        screw = MechanismFacts(kind="screw", um_per_turn=um_per_turn, backlash_um=12.0)
        facts = BodyFacts(name="A-01", mount="PL", mechanism=screw)
        units.change_unit(record, two.house.ids["A-01"], facts=facts, who=WHO)
    lines = sync_lines(two.sync(keep=Keep.chosen(None, {"A-99": Way.HERE})))
    assert "    mechanism, um_per_turn: here [340], home [360]" in lines
    assert not any("backlash" in line or "{" in line for line in lines)
    assert "--keep names a-99, which neither side has. Look at its spelling." in lines


def test_one_name_for_two_units_is_a_question_and_its_preps_wait(two: Two) -> None:
    two.sync()
    made = [
        units.add_unit(record, facts=BodyFacts(name="B-01", serial="77", mount="PL"), who=WHO)
        for record in (two.truck, two.home)
    ]
    prep = preps.start_prep(
        two.truck, who=WHO, title="on the road", body_ids=[made[0].id], lens_ids=[two.house.ids["H50"]]
    )
    done = two.sync()
    assert {(one.id, one.cause) for one in done.waiting} == {
        (made[0].id, WaitingCause.SAME_NAME),
        (made[1].id, WaitingCause.SAME_NAME),
        (prep.id, WaitingCause.NEEDS_UNIT),
    }
    units.change_unit(
        two.truck, made[0].id, facts=BodyFacts(name="B-01 truck", serial="77", mount="PL"), who=WHO
    )
    done = two.sync()
    assert done.waiting == ()
    assert {one.id for one in done.done} == {made[0].id, made[1].id, prep.id}


@pytest.mark.slow
def test_a_reopened_prep_goes_home_and_the_signature_stays(two: Two) -> None:
    prep = two.house.start(title="bay one")
    two.house.read(prep.id, "on")
    refresh_verdict(two.home, prep.id)
    two.sync()
    sign(two.home, prep.id)
    two.sync()
    signing.reopen(two.truck, prep.id, reason="once more", who=WHO)
    two.away().read(prep.id, "2' 11 1/2\"")
    refresh_verdict(two.truck, prep.id)
    two.sync()
    assert preps.open_prep(two.home, prep.id).state == "open"
    sign(two.truck, prep.id)
    assert two.sync().waiting == ()
    assert digests(two.truck) == digests(two.home)
    assert record_admin.check(two.home) == record_admin.check(two.truck) == ()
    assert len(record_admin.prep_document(two.home, prep.id)["sign_offs"]) == 2


@pytest.mark.slow
def test_withdrawn_on_one_side_is_withdrawn_and_said(two: Two) -> None:
    prep = two.house.start(title="bay one")
    saved = two.house.read(prep.id, "on")
    two.sync()
    readings.withdraw_reading(two.truck, saved.view.id, reason="wrong ring", who=WHO)
    two.house.read(prep.id, "2' 11 1/2\"")
    done = two.sync()
    assert [one.code for one in done.notices] == ["withdrawn"]
    assert digests(two.truck) == digests(two.home)
    assert preps.open_prep(two.home, prep.id).readings[0].is_withdrawn


class KnowsNoKey(RecordSide):
    """A home that knows no other house's key."""

    def check_prep(self, document: object) -> None:
        raise ExchangeError("It is under the seal of a house that is not known here.")


@pytest.mark.slow
def test_a_dry_run_refuses_what_the_sync_refuses_and_nothing_untrue_is_told(two: Two) -> None:
    prep = two.house.start(title="bay one")
    two.house.read(prep.id, "on")
    two.sync()
    two.house.read(prep.id, "2' 11 1/2\"")
    refresh_verdict(two.home, prep.id)
    sign(two.truck, prep.id)
    bent = BodyFacts(name="A-02", note="bent", mount="PL")
    units.change_unit(two.truck, two.house.ids["A-02"], facts=bent, who=WHO)
    before = digests(two.home)
    would = two.sync(of=KnowsNoKey, is_dry_run=True)
    assert digests(two.home) == before
    done = two.sync(of=KnowsNoKey)
    (waits,) = done.waiting
    assert (waits.id, waits.cause, done.notices) == (prep.id, WaitingCause.REFUSED, ())
    assert (would.done, would.waiting, would.notices) == (done.done, done.waiting, ())
    said = sync_lines(would)
    assert "    note: [] becomes [bent]" in said
    assert any(line.startswith("The prep bay one would not go: It is under the seal") for line in said)
    done = two.sync()
    assert [one.code for one in done.notices] == ["signed_stands"]
    assert any("(1 value) is in the prep bay one (as it was at home)" in line for line in sync_lines(done))


def sign(record: Record, prep_id: str) -> None:
    refresh_verdict(record, prep_id)
    excepted = {unit.unit_id: Exempt("a test") for unit in signing.undecided(record, prep_id)}
    signing.sign(record, prep_id, who=WHO, exceptions=excepted)


def adjust(record: Record, prep_id: str, body_id: str, *, name: str) -> None:
    """Keep an adjustment of a body within a prep."""
    with record.writing(who=name) as change:
        epoch = house_units.unit(change.connection, BodyRow, body_id).epoch
        row = AdjustmentRow(
            id=uuid4().hex,
            prep_id=prep_id,
            unit_kind="body",
            unit_id=body_id,
            action="move sensor",
            made_by=name,
            made_at=change.at,
            epoch_before=epoch,
            epoch_after=epoch + 1,
        )
        verdicts.add_adjustment(change, row)


def set_clock(record: Record, hour: float) -> None:
    record.clock = lambda: datetime(2026, 3, 2, 8, tzinfo=UTC) + timedelta(hours=hour)


def epochs(record: Record, prep_id: str) -> tuple[list[int], list[tuple[int, int]]]:
    """Return the epochs of the readings and adjustments of a prep, as they count now."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        moves = shifted(verdicts.adjustments(connection, prep_id), material.prep.epoch_shifts)
    return [row.body_epoch for row in material.readings], [
        (row.epoch_before, row.epoch_after) for row in moves
    ]


@pytest.mark.slow
@pytest.mark.parametrize("first", ["truck", "home"])
@pytest.mark.parametrize("is_signed", [False, True], ids=["open", "signed"])
@pytest.mark.parametrize("is_cut", [False, True], ids=["whole", "cut between the sides"])
def test_two_adjustments_of_one_body_are_two_epochs_in_order_of_time(
    two: Two, first: str, is_signed: bool, is_cut: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    two.sync()
    body = two.house.ids["A-01"]
    made = {}
    for record, name in ((two.truck, "truck"), (two.home, "home")):
        start_h = 0.0 if name == first else 4.0
        house = replace(two.house, record=record)
        set_clock(record, start_h)
        prep = house.start(title=name, set_id=None, lens_ids=[two.house.ids["H50"]])
        house.read(prep.id, "2' 11 1/2\"")
        set_clock(record, start_h + 1)
        adjust(record, prep.id, body, name=name)
        set_clock(record, start_h + 2)
        house.read(prep.id, "on")
        made[name] = prep.id
        if is_signed:
            sign(record, prep.id)
    for record in (two.truck, two.home):
        set_clock(record, 9)
    if is_cut:
        calls: list[str] = []

        def order_one_side(side: RecordSide, *given: object, **more: object) -> None:
            if calls:
                raise KeyboardInterrupt
            calls.append(side.name)
            ordered(side, *given, **more)

        ordered: Callable[..., None] = RecordSide.order_epochs
        with monkeypatch.context() as patch:
            patch.setattr(RecordSide, "order_epochs", order_one_side)
            with pytest.raises(KeyboardInterrupt):
                two.sync()
    done = two.sync()
    assert done.waiting == ()
    (notice,) = (one for one in done.notices if one.code == "epochs_ordered")
    assert [side for side, _, _ in notice.values["order"]] == (
        ["here", "home"] if first == "truck" else ["home", "here"]
    )
    assert not notice.values["is_uncertain"]
    later = "home" if first == "truck" else "truck"
    for record in (two.truck, two.home):
        with record.reading() as connection:
            assert house_units.unit(connection, BodyRow, body).epoch == 2
        for name, expected in ((first, ([0, 1], [(0, 1)])), (later, ([1, 2], [(1, 2)]))):
            is_here = record is two.home or name == "truck" or not is_signed
            if is_here:
                assert epochs(record, made[name]) == expected, (name, record is two.home)
        assert record_admin.check(record) == ()
    again = two.sync()
    assert (again.done, again.waiting) == ((), ())
    if is_signed:
        where = two.home
        before = record_admin.prep_document(where, made[later])["sign_offs"]
        signing.reopen(where, made[later], reason="to look again", who=WHO)
        assert epochs(where, made[later]) == ([1, 2], [(1, 2)])
        assert record_admin.prep_document(where, made[later])["sign_offs"] == before


@pytest.mark.slow
@pytest.mark.parametrize("first", ["truck", "home"])
def test_one_open_prep_adjusted_on_both_sides_is_joined_and_a_later_prep_goes_too(
    two: Two, first: str
) -> None:
    set_clock(two.home, 0)
    prep = two.house.start(title="bay one", set_id=None, lens_ids=[two.house.ids["H50"]])
    two.house.read(prep.id, "on")
    two.sync()
    body = two.house.ids["A-01"]
    for record, name in ((two.truck, "truck"), (two.home, "home")):
        house, start_h = replace(two.house, record=record), 1.0 if name == first else 4.0
        set_clock(record, start_h)
        adjust(record, prep.id, body, name=name)
        set_clock(record, start_h + 1)
        house.read(prep.id, "2' 11 1/2\"")
    later = two.away().start(title="on the road", set_id=None, lens_ids=[two.house.ids["H50"]])
    for record in (two.truck, two.home):
        set_clock(record, 9)
    would = two.sync(is_dry_run=True)
    done = two.sync()
    assert would.waiting == done.waiting == ()
    assert {one.id for one in done.done if one.kind == "prep"} == {prep.id, later.id}
    for record in (two.truck, two.home):
        found, moves = epochs(record, prep.id)
        assert (sorted(found), sorted(moves)) == ([0, 1, 2], [(0, 1), (1, 2)])
        assert record_admin.check(record) == ()
    assert digests(two.truck) == digests(two.home)
    again = two.sync()
    assert (again.done, again.waiting) == ((), ())


@pytest.mark.parametrize("side", ["truck", "home"])
def test_a_history_that_was_learned_travels_with_a_new_lens_and_is_not_taken_for_typed(
    two: Two, side: str
) -> None:
    two.sync()
    record = two.truck if side == "truck" else two.home
    facts = LensFacts(name="H99", mount="PL", focal_lengths_mm=(99.0,), fnumber=2.0)
    made = units.add_unit(record, facts=facts, who=WHO)
    prep = replace(two.house, record=record).start(set_id=None, lens_ids=[made.id])
    with record.writing(who=WHO) as change:
        row = house_units.unit(change.connection, LensRow, made.id)
        keep_history(change, row, (3.0, 2.0), what=KEPT, prep_id=prep.id)
    assert {one.id for one in two.sync().done} == {made.id, prep.id}
    for one in (two.truck, two.home):
        with one.reading() as connection:
            (entry,) = (entry for entry in unit_entries(connection) if entry.id == made.id)
        assert (entry.content["history"], entry.beside["learned"]) == (None, [3.0, 2.0])
    again = two.sync()
    assert (again.done, again.waiting) == ((), ())


@pytest.mark.slow
@pytest.mark.parametrize("side", ["truck", "home"])
def test_a_typed_history_that_gave_way_to_a_learned_one_does_not_come_back(two: Two, side: str) -> None:
    facts = LensFacts(
        name="H99", focal_lengths_mm=(99.0,), fnumber=2.0, history_mean_um=6.0, history_sd_um=5.0
    )
    made = units.add_unit(two.home, facts=facts, who=WHO)
    two.sync()
    record = two.truck if side == "truck" else two.home
    prep = replace(two.house, record=record).start(set_id=None, lens_ids=[made.id])
    with record.writing(who=WHO) as change:
        row = house_units.unit(change.connection, LensRow, made.id)
        keep_history(change, row, (3.0, 2.0), what=KEPT, prep_id=prep.id)
    would = two.sync(is_dry_run=True)
    done = two.sync()
    assert [(one.way, one.id) for one in would.done] == [(one.way, one.id) for one in done.done]
    assert {one.id for one in done.done} == {made.id, prep.id}
    for one in (two.truck, two.home):
        with one.reading() as connection:
            (entry,) = (entry for entry in unit_entries(connection) if entry.id == made.id)
        assert (entry.content["history"], entry.beside["learned"]) == (None, [3.0, 2.0])
    assert "history: +6 ± 5 µm, typed becomes what preps taught" in "\n".join(sync_lines(done))
    assert two.sync().done == ()
