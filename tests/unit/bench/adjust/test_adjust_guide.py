"""Guided adjustments: no step skipped, nothing erased, the screw learned, the stock counted down."""

import json
from dataclasses import asdict, replace

import pytest
from invented_house import WHO, House

from shimwise.bench.adjust import guide as adjusting
from shimwise.bench.adjust.text import read_seen_move, read_shim_change, read_shims
from shimwise.bench.adjust.views import AdjustmentView
from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.house import shim_stock
from shimwise.bench.house import units as houses
from shimwise.bench.house.unit_knowledge import mechanism_of
from shimwise.bench.house.views import BodyFacts, MechanismFacts
from shimwise.bench.prep import gauges
from shimwise.bench.prep.preps import close_prep, open_prep, tape_setup
from shimwise.bench.sign import signing
from shimwise.bench.typed_turns import read_turns
from shimwise.bench.verdict import recheck
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record.queries import evidence, units
from shimwise.record.tables.rows import BodyRow, SweepRow
from shimwise.remedy.advice import advise_body
from shimwise.remedy.mechanism import Turn
from shimwise.sheets.json.verdict_json import answer_from_json

pytestmark = pytest.mark.slow  # half a second each, of judging

SCREW = MechanismFacts(kind="screw", um_per_turn=400.0, um_per_turn_sd=4.0, away="clockwise", backlash_um=1.0)
UNKNOWN_SCREW = MechanismFacts(kind="screw")
MOUNT = MechanismFacts(kind="shimmed mount")


def give_mechanism(house: House, mechanism: MechanismFacts | None, *, name: str = "A-01") -> None:
    facts = BodyFacts(name=name, mount="PL", mechanism=mechanism)
    houses.change_unit(house.record, house.ids[name], facts=facts, who=WHO)


def short_prep(house: House, *, value_um: float = -20.0, mechanism: MechanismFacts | None = SCREW) -> str:
    """A prep whose body a good gauge finds short by 20 µm, and readings that say the same."""
    give_mechanism(house, mechanism)
    lenses = [house.ids[name] for name in ("H25", "H35", "H50")]
    prep_id = house.start(set_id=None, lens_ids=lenses).id
    body_id = house.ids["A-01"]
    gauges.add_gauge(
        house.record, prep_id, unit_kind="body", unit_id=body_id, value_um=value_um, sd_um=1.5, who=WHO
    )
    read_with(house, prep_id, 'short by 3/16"')
    return prep_id


def read_with(house: House, prep_id: str, text: str) -> None:
    for name in ("H35", "H50"):
        for _ in range(2):
            house.read(
                prep_id,
                text if name == "H50" else 'short by 5/16"' if "short" in text else text,
                lens_id=house.ids[name],
            )


def begin(house: House, prep_id: str, **more: str) -> AdjustmentView:
    return adjusting.begin_adjustment(
        house.record, prep_id, unit_kind="body", unit_id=house.ids["A-01"], who=WHO, **more
    )


def answer(house: House, view: AdjustmentView, *answers: tuple[str, str]) -> AdjustmentView:
    for step, said in answers:
        view = adjusting.answer_step(house.record, view.prep_id, view.id, step=step, answer=said, who=WHO)
    return view


def finish(house: House, view: AdjustmentView) -> AdjustmentView:
    return adjusting.finish_adjustment(house.record, view.prep_id, view.id, who=WHO)


UP_TO_MOVE = (("clean", "done"), ("lock", "was free"), ("place", "mark at the rim"))
AFTER_MOVE = (("lock after", "left free"), ("mark", "done"), ("flag", "done"))


def test_the_steps_of_a_screw_lead_to_a_move_of_the_judged_amount(house: House) -> None:
    view = begin(house, short_prep(house))
    assert [step.id for step in view.steps][:4] == ["clean", "lock", "place", "move"]
    assert view.now is not None
    assert view.now.id == "clean"
    # 400 µm a turn: 20 µm are a twentieth of a turn, 18 degrees; short means away, which is clockwise.
    assert view.move.turns == pytest.approx(0.05, abs=0.01)
    assert "clockwise" in view.move.turn
    assert not view.move.is_trial
    assert "short by" in view.move.words.lower()


def test_judge_page_and_guide_advise_one_turn_with_the_play_apart(house: House) -> None:
    played = replace(SCREW, um_per_turn=350.0, um_per_turn_sd=15.0, backlash_um=12.0)
    prep_id = short_prep(house, mechanism=played)
    judged = refresh_verdict(house.record, prep_id)
    assert judged is not None
    (remedy,) = (one for one in judged.remedies if one.kind == "body")
    view = begin(house, prep_id)
    assert view.move.turns == pytest.approx(remedy.turns, abs=1e-4)  # as the document rounds it
    body = next(one for one in judged.bodies if one.name == "A-01")
    alone = advise_body(
        answer_from_json(judged.document).unit("body", "A-01"), mechanism=mechanism_of(asdict(played))
    )
    assert alone.turns == pytest.approx(remedy.turns, abs=1e-4)  # a readings file and its kit
    assert 350 * view.move.turns == pytest.approx(-body.error_um, rel=0.01)
    for text in (remedy.text, view.move.turn):
        assert f"{360 * view.move.turns:.0f}°" in text
        assert "after the play is taken up; up to 12° more before the sensor moves" in text
    # Done as planned, the play is no part of the move that the memory expects.
    done = finish(house, answer(house, view, *UP_TO_MOVE, ("move", "done"), *AFTER_MOVE))
    assert done.amount_um == pytest.approx(-body.error_um, rel=0.02)


def test_a_move_before_the_lock_was_looked_at_is_refused(house: House) -> None:
    view = begin(house, short_prep(house))
    with pytest.raises(Conflict, match="cannot be marked as moved before its lock was looked at"):
        answer(house, view, ("move", "done"))
    view = answer(house, view, ("clean", "done"))
    with pytest.raises(Conflict, match=r"before its lock was looked at.*Due now: lock"):
        answer(house, view, ("move", "0.05 turn clockwise"))
    shown = adjusting.adjustment(house.record, view.prep_id, view.id)
    assert [step.id for step in shown.steps if step.is_done] == ["clean"]


def test_a_lock_is_released_only_with_the_owners_consent(house: House) -> None:
    view = answer(house, begin(house, short_prep(house)), ("clean", "done"))
    with pytest.raises(Conflict, match="only with the owner's consent"):
        answer(house, view, ("lock", "released"))
    view = answer(house, view, ("consent", "O. Owner"), ("lock", "released"))
    consent = next(step for step in view.steps if step.id == "consent")
    assert consent.note == "O. Owner"


def test_a_body_that_stays_locked_is_flagged_and_not_moved(house: House) -> None:
    prep_id = short_prep(house)
    view = answer(house, begin(house, prep_id), ("clean", "done"), ("lock", "stays locked"), ("flag", "done"))
    assert finish(house, view).state == "stopped"
    with house.record.reading() as connection:
        assert units.unit(connection, BodyRow, house.ids["A-01"]).epoch == 0


def test_a_step_taken_back_leaves_its_trace_and_stands_open_again(house: House) -> None:
    view = answer(house, begin(house, short_prep(house)), *UP_TO_MOVE, ("move", "18°"))
    back = adjusting.take_back(
        house.record, view.prep_id, view.id, step="lock", reason="the lock was set after all", who=WHO
    )
    assert back.now is not None
    assert back.now.id == "lock"
    assert back.taken_back == (f"lock, by {WHO}: the lock was set after all",)
    with pytest.raises(InputError, match="empty"):
        adjusting.take_back(house.record, view.prep_id, view.id, step="clean", reason="", who=WHO)
    with pytest.raises(Conflict, match="before its lock"):
        answer(house, back, ("move", "done"))


def test_finishing_begins_an_epoch_and_carries_what_was_known_with_the_moves_uncertainty(
    house: House,
) -> None:
    prep_id = short_prep(house)
    judged = refresh_verdict(house.record, prep_id)
    assert judged is not None
    before = judged.bodies[0]
    view = answer(house, begin(house, prep_id), *UP_TO_MOVE, ("move", "done"))
    with pytest.raises(Conflict, match="Due now: lock after"):
        finish(house, view)
    done = finish(house, answer(house, view, *AFTER_MOVE))
    assert done.state == "finished"
    assert done.amount_um == pytest.approx(-before.error_um, abs=3)
    assert finish(house, done) == done
    with house.record.reading() as connection:
        body = units.unit(connection, BodyRow, house.ids["A-01"])
    assert body.epoch == 1
    after = refresh_verdict(house.record, prep_id)
    assert after is not None
    (now,) = after.bodies
    assert now.name == "A-01"
    assert now.error_um == pytest.approx(0.0, abs=4)
    was = answer_from_json(after.document).unit("body", "A-01 before adjustment 1")
    assert was is not None
    assert was.error_um == pytest.approx(before.error_um, abs=4)


def test_after_a_move_the_verdict_speaks_of_the_present_state_only(house: House) -> None:
    prep_id = short_prep(house, value_um=-30.0)
    finish(house, answer(house, begin(house, prep_id), *UP_TO_MOVE, ("move", "done"), *AFTER_MOVE))
    for _ in range(2):  # before it is read again, and after
        said = refresh_verdict(house.record, prep_id)
        assert said is not None
        document = dict(said.document)
        was = document.pop("past")
        assert [one["name"] for one in was["bodies"]] == ["A-01 before adjustment 1"]
        assert was["bodies"][0]["verdict"] == "out_short"
        del document["readings"]  # what was read of it then
        assert "before adjustment" not in json.dumps(document)
        assert "before adjustment" not in said.second_line
        assert said.remedies == ()
        assert [unit.name for unit in said.bodies] == ["A-01"]
        read_with(house, prep_id, "on")


def test_the_recheck_asks_for_two_lenses_and_two_distances_until_they_are_read(house: House) -> None:
    prep_id = short_prep(house)
    view = answer(house, begin(house, prep_id), *UP_TO_MOVE, ("move", "done"), *AFTER_MOVE)
    finish(house, view)
    (asked,) = recheck.recheck(house.record, prep_id)
    assert not asked.is_read
    assert len({one.lens for one in asked.readings}) >= 2
    assert len({one.distance_mm for one in asked.readings}) >= 2
    stands = {unit.name: unit.words for unit in signing.undecided(house.record, prep_id)}
    assert "has to be read again after its adjustment: at least 2 lenses and 2 distances" in stands["A-01"]
    for count, one in enumerate(asked.readings):
        house.read(prep_id, "on", lens_id=one.lens_id, distance_text=one.distance_text)
        if count == 0:  # one reading may be enough for a verdict, and is no re-check
            due = refresh_verdict(house.record, prep_id)
            assert due is not None
            assert due.headline.startswith(
                "A-01 has to be read again after its adjustment: at least 2 lenses"
            )
            assert due.to_do[0].code == "do_check_again"
            assert due.to_do[0].unit_id == house.ids["A-01"]
            assert "do_nothing" not in {line.code for line in due.to_do}
    done = refresh_verdict(house.record, prep_id)
    assert done is not None
    assert "do_check_again" not in {line.code for line in done.to_do}
    assert "has to be read again" not in done.headline
    (asked,) = recheck.recheck(house.record, prep_id)
    assert asked.is_read
    (pair,) = recheck.before_after(house.record, prep_id)
    assert pair.before_um == pytest.approx(-20, abs=5)
    assert pair.change_um is not None
    assert 10 < pair.change_um < 40


def test_sweeps_after_a_move_count_as_the_recheck_too(house: House) -> None:
    prep_id = short_prep(house)
    finish(house, answer(house, begin(house, prep_id), *UP_TO_MOVE, ("move", "done"), *AFTER_MOVE))
    far = tape_setup(house.record, prep_id, body_id=house.ids["A-01"], distance_text="6'", who=WHO)
    for number, (lens, setup_id) in enumerate((("H35", far.id), ("H50", None))):
        (before,) = recheck.recheck(house.record, prep_id)
        assert not before.is_read
        with house.record.writing(who=WHO) as change:
            row = SweepRow(
                id=str(number) * 32,
                prep_id=prep_id,
                body_id=house.ids["A-01"],
                lens_id=house.ids[lens],
                setup_id=setup_id,
                result={},
                landing_um=0.5,
                sd_um=1.0,
                body_epoch=1,
                taken_by=WHO,
                taken_at=change.at,
            )
            evidence.add_sweep(change, row)
    (after,) = recheck.recheck(house.record, prep_id)
    assert (after.is_read, after.reading_count, after.distance_count) == (True, 2, 2)


def test_an_unknown_screw_is_moved_a_little_first_and_learned_from(house: House) -> None:
    prep_id = short_prep(house, mechanism=UNKNOWN_SCREW)
    first = begin(house, prep_id)
    assert first.move.is_trial
    assert first.screw is not None
    assert first.screw.move_count == 0
    finish(house, answer(house, first, *UP_TO_MOVE, ("move", "0.05 turn clockwise"), *AFTER_MOVE))
    for name in ("H35", "H50"):
        for _ in range(3):
            house.read(prep_id, "on", lens_id=house.ids[name])
    second = begin(house, prep_id, reason="to see what was learned")
    assert second.screw is not None
    assert second.screw.move_count == 1
    # It came from about 20 µm short to the mark with a twentieth of a turn clockwise: some 400 µm a turn.
    assert second.screw.um_per_turn_low < 400 < second.screw.um_per_turn_high
    assert second.screw.p_sense > 0.9
    span = second.screw.um_per_turn_high - second.screw.um_per_turn_low
    assert span < first.screw.um_per_turn_high - first.screw.um_per_turn_low


def test_the_remedy_tells_the_turn_that_the_guide_will_ask_for_by_what_the_screw_has_shown(
    house: House,
) -> None:
    prep_id = short_prep(house, mechanism=UNKNOWN_SCREW)
    before = refresh_verdict(house.record, prep_id)
    assert before is not None
    (first,) = before.remedies
    assert "as a small first move, and read again" in first.text
    assert "A turn makes 83 to 720 µm" in first.text
    view = begin(house, prep_id)
    assert view.move.is_trial
    assert first.turns == pytest.approx(view.move.turns, abs=1e-4)
    finish(house, answer(house, view, *UP_TO_MOVE, ("move", "0.05 turn clockwise"), *AFTER_MOVE))
    body_id = house.ids["A-01"]
    gauges.add_gauge(
        house.record, prep_id, unit_kind="body", unit_id=body_id, value_um=20.0, sd_um=1.5, who=WHO
    )
    for lens, text in (("H35", 'deep by 5/16"'), ("H50", 'deep by 3/16"')) * 3:
        house.read(prep_id, text, lens_id=house.ids[lens])
    # The first judgement after the readings tells it, without an earlier one in between.
    after = refresh_verdict(house.record, prep_id)
    assert after is not None
    (second,) = after.remedies
    assert "what 1 move of it showed" in second.text
    guide = begin(house, prep_id)
    assert guide.screw is not None
    assert guide.screw.move_count == 1
    assert second.turns == pytest.approx(guide.move.turns, abs=1e-4)
    assert second.turn == "anticlockwise"


def test_shims_are_planned_from_those_that_are_in_and_leave_the_stock(house: House) -> None:
    shim_stock.change_shim_stock(house.record, counts={10.0: 3, 50.0: 1, 100.0: 2}, who=WHO)
    view = begin(house, short_prep(house, mechanism=MOUNT))
    assert view.steps[0].id == "consent"
    with pytest.raises(InputError, match="no list of shims"):
        answer(house, view, ("consent", "O. Owner"), ("clean", "done"), ("shims measured", "some"))
    view = answer(house, view, ("shims measured", "100"))
    assert sum(view.move.put_in_um) - sum(view.move.taken_out_um) == pytest.approx(20)
    view = answer(house, view, ("move", "done"), ("mark", "done"), ("flag", "done"))
    done = finish(house, view)
    assert done.amount_um == pytest.approx(20)
    stock = shim_stock.shim_stock(house.record)
    assert {one.thickness_um: one.count for one in stock.shims}[10.0] == 1
    assert {one.thickness_um: one.to_order for one in stock.shims}[10.0] == 1


def test_shims_that_the_stock_does_not_hold_are_not_used(house: House) -> None:
    shim_stock.change_shim_stock(house.record, counts={10.0: 1}, who=WHO)
    view = begin(house, short_prep(house, mechanism=MOUNT))
    view = answer(house, view, ("consent", "O. Owner"), ("clean", "done"), ("shims measured", "100"))
    view = answer(house, view, ("move", "in 10 + 10"), ("mark", "done"), ("flag", "done"))
    with pytest.raises(Conflict, match="holds 1 of 10 µm, 2 were to be used"):
        finish(house, view)
    assert adjusting.adjustment(house.record, view.prep_id, view.id).state == "begun"


def test_a_fixed_body_goes_out_and_comes_back_unknown(house: House) -> None:
    view = begin(house, short_prep(house, mechanism=MechanismFacts(kind="fixed")))
    view = answer(
        house,
        view,
        ("consent", "O. Owner"),
        ("clean", "done"),
        ("move", "sent out"),
        ("mark", "done"),
        ("flag", "done"),
    )
    assert finish(house, view).amount_um is None
    with house.record.reading() as connection:
        body = units.unit(connection, BodyRow, house.ids["A-01"])
    assert (body.epoch, body.history_sd_um) == (1, None)


def test_a_body_whose_mechanism_is_not_known_is_not_touched(house: House) -> None:
    with pytest.raises(Conflict, match=r"is not known.*until then nothing is turned or opened"):
        begin(house, short_prep(house, mechanism=None))


def test_a_body_that_is_not_out_is_moved_only_for_a_reason(house: House) -> None:
    prep_id = short_prep(house, value_um=-1.0)
    for _ in range(3):
        read_with(house, prep_id, "on")
    if (judged := refresh_verdict(house.record, prep_id)) is None or judged.bodies[0].verdict == "out_short":
        pytest.fail("the prep should not find the body out")
    with pytest.raises(Conflict, match="not judged to be out"):
        begin(house, prep_id)
    assert begin(house, prep_id, reason="the owner asks for it").state == "begun"


def test_one_adjustment_of_a_unit_at_a_time_and_begun_twice_by_one_id_is_one(house: House) -> None:
    prep_id = short_prep(house)
    first = begin(house, prep_id, id="7" * 32)
    assert begin(house, prep_id, id="7" * 32).id == first.id
    with pytest.raises(Conflict, match=f"is under way, begun by {WHO}"):
        begin(house, prep_id)
    with pytest.raises(Conflict, match="adjustment of A-01 is not finished"):
        signing.sign(house.record, prep_id, who=WHO)
    given_up = adjusting.give_up(house.record, prep_id, first.id, reason="another body first", who=WHO)
    assert given_up.state == "given up"
    with pytest.raises(Conflict, match="is given up"):
        answer(house, given_up, ("clean", "done"))
    assert begin(house, prep_id).state == "begun"
    assert [one.state for one in adjusting.adjustments(house.record, prep_id)] == ["given up", "begun"]


def test_what_was_moved_is_not_given_up(house: House) -> None:
    view = answer(house, begin(house, short_prep(house)), *UP_TO_MOVE, ("move", "done"))
    with pytest.raises(Conflict, match="was moved: finish the adjustment"):
        adjusting.give_up(house.record, view.prep_id, view.id, reason="no more time", who=WHO)


def test_a_closed_prep_and_an_unknown_adjustment_are_refused(house: House) -> None:
    prep_id = short_prep(house)
    view = begin(house, prep_id)
    with pytest.raises(NotFound):
        adjusting.adjustment(house.record, prep_id, "0" * 32)
    close_prep(house.record, prep_id, who=WHO)
    with pytest.raises(Conflict, match="closed"):
        answer(house, view, ("clean", "done"))
    assert open_prep(house.record, prep_id).state == "done"


@pytest.mark.parametrize(
    ("text", "turns", "turn"),
    [
        ("0.08 turn clockwise", 0.08, Turn.CLOCKWISE),
        ("90° anticlockwise", 0.25, Turn.ANTICLOCKWISE),
        ("36 deg", 0.1, Turn.CLOCKWISE),
        ("0,5 turns ccw", 0.5, Turn.ANTICLOCKWISE),
    ],
)
def test_turns_are_read_as_they_are_said(text: str, turns: float, turn: Turn) -> None:
    told_turns, told_turn = read_turns(text, turn=Turn.CLOCKWISE)
    assert told_turns == pytest.approx(turns)
    assert told_turn is turn


def test_a_move_that_the_picture_saw_counts_as_far_as_it_was_seen(house: House) -> None:
    view = begin(house, short_prep(house))
    seen = "20.3 ± 0.98 µm away by the picture"
    done = finish(house, answer(house, view, *UP_TO_MOVE, ("move", seen), *AFTER_MOVE))
    assert done.amount_um == pytest.approx(20.3)
    assert done.amount_sd_um == pytest.approx(0.5, rel=1e-4)
    assert done.turns is None
    assert "20.3 ± 1.0 µm away, by the picture" in next(
        step.answer for step in done.steps if step.id == "move"
    )
    # What the picture saw, the re-check measures by picture as well.
    (checked,) = recheck.recheck(house.record, view.prep_id)
    assert checked.readings
    assert all(one.by_picture and one.words.startswith("Measure by picture ") for one in checked.readings)
    # The screw learns nothing of a move whose turns nobody counted.
    again = begin(house, view.prep_id, reason="to look")
    assert again.screw is not None
    assert again.screw.move_count == 0


def test_a_move_by_the_picture_is_read_with_its_way() -> None:
    assert read_seen_move("20.3 ± 0.98 µm away by the picture") == pytest.approx((20.3, 0.5), rel=1e-4)
    assert read_seen_move("4 ± 2 um toward") == pytest.approx((-4.0, 1.02), abs=1e-3)
    assert read_seen_move("0.08 turn clockwise") is None
    for text in ("9000 ± 1 µm away", "20 ± 0 µm away"):
        with pytest.raises(InputError, match="out of range"):
            read_seen_move(text)
    for text in ("3 µm", "23 um away"):
        with pytest.raises(InputError, match="does not say what the picture saw"):
            read_seen_move(text)


@pytest.mark.parametrize(
    ("text", "match"),
    [("a bit", "is no turn"), ("0.1", "does not say which way"), ("900 turns cw", "out of range")],
)
def test_turns_that_cannot_be_are_refused(text: str, match: str) -> None:
    with pytest.raises(InputError, match=match):
        read_turns(text, turn=None)


def test_shims_are_read_as_they_are_said() -> None:
    assert read_shims("50 + 200 µm") == (200.0, 50.0)
    assert read_shims("none") == ()
    assert read_shim_change("in 50 + 20 out 100") == ((50.0, 20.0), (100.0,))
    assert read_shim_change("out 12.5") == ((), (12.5,))
    with pytest.raises(InputError, match="which shims"):
        read_shim_change("more")
