"""The guided adjustment: nothing is skipped, nothing is erased, and a locked sensor is never moved."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimwise.errors import RemedyError
from shimwise.remedy.adjustment import Adjustment, begin, begin_lens
from shimwise.remedy.adjustment_steps import Guide, Move, Step, StepAnswer, answers_to
from shimwise.remedy.mechanism import Fixed, Screw, ShimmedMount, Turn
from shimwise.sheets.words.adjustment_words import step_text, turns_text

NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
TURN = Move(change_um=14, turns=0.22, turn=Turn.CLOCKWISE)
SHIM = Move(change_um=30, shims_in_um=(20.0, 10.0))


def say(
    adjustment: Adjustment,
    step: Step,
    answer: StepAnswer = StepAnswer.DONE,
    *,
    note: str = "",
    move: Move | None = None,
) -> Adjustment:
    when = NOON + timedelta(minutes=len(adjustment.events))
    return adjustment.confirm(step, who="Rosa", when=when, answer=answer, note=note, move=move)


def back(adjustment: Adjustment, step: Step, reason: str = "wrong body") -> Adjustment:
    return adjustment.take_back(step, who="Ilja", when=NOON + timedelta(hours=1), reason=reason)


def screw(has_lock: bool | None = True, *, needs_consent: bool = False) -> Adjustment:
    return begin("B1", Screw(has_lock=has_lock), planned=TURN, needs_consent=needs_consent)


def every_guide() -> list[Adjustment]:
    return [
        screw(),
        screw(None),
        screw(False),
        screw(needs_consent=True),
        begin("B2", ShimmedMount(), planned=SHIM),
        begin("B3", Fixed()),
        begin_lens("L1", planned=SHIM),
    ]


def first_answer(adjustment: Adjustment, step: Step) -> StepAnswer:
    if step is Step.LOCK:
        return StepAnswer.NO_LOCK if adjustment.guide is Guide.SCREW_WITHOUT_LOCK else StepAnswer.WAS_FREE
    return answers_to(step, adjustment.guide)[0]


def walk(adjustment: Adjustment, until: Step | None = None) -> Adjustment:
    while (due := adjustment.next_step) is not None and due is not until:
        adjustment = say(adjustment, due, first_answer(adjustment, due), note="Owner & Co")
    return adjustment


@pytest.mark.parametrize(
    ("adjustment", "steps"),
    [
        (screw(), "clean lock place move lock-after mark flag"),
        (screw(None), "clean lock place move lock-after mark flag"),
        (screw(False), "clean lock place move mark flag"),
        (screw(needs_consent=True), "consent clean lock place move lock-after mark flag"),
        (begin("B2", ShimmedMount(), planned=SHIM), "consent clean shims-measured move mark flag"),
        (begin("B3", Fixed()), "consent clean move mark flag"),
        (begin_lens("L1", planned=SHIM), "consent clean shims-measured move mark flag"),
    ],
    ids=lambda value: str(value.guide) if isinstance(value, Adjustment) else "",
)
def test_each_mechanism_has_its_steps_in_their_order(adjustment: Adjustment, steps: str) -> None:
    assert [step.replace(" ", "-") for step in adjustment.steps] == steps.split()
    finished = walk(adjustment)
    assert finished.next_step is None
    assert list(finished.confirmed) == list(adjustment.steps)
    assert all(one.who == "Rosa" for one in finished.confirmed.values())


@settings(deadline=None)
@given(
    st.sampled_from(range(7)),
    st.lists(st.tuples(st.sampled_from(Step), st.sampled_from(StepAnswer)), max_size=40),
)
def test_whatever_is_tried_no_step_stands_before_those_it_needs(
    which: int, tries: list[tuple[Step, StepAnswer]]
) -> None:
    adjustment = every_guide()[which]
    for step, answer in tries:
        before = adjustment
        try:
            adjustment = say(adjustment, step, answer, note="Owner & Co")
        except RemedyError:
            assert adjustment is before
            continue
        standing, steps = adjustment.confirmed, adjustment.steps
        assert adjustment.events[:-1] == before.events
        if Step.MOVE in standing:
            assert all(one in standing for one in steps[: steps.index(Step.MOVE)])
            assert Step.LOCK not in steps or standing[Step.LOCK].answer is not StepAnswer.STAYS_LOCKED
        due = adjustment.next_step
        later = steps[steps.index(due) :] if due else ()
        assert all(one is Step.CONSENT or one not in standing for one in later)
    assert Adjustment.from_json(json.loads(json.dumps(adjustment.to_json()))) == adjustment


@pytest.mark.parametrize("which", range(7))
def test_no_step_can_be_skipped(which: int) -> None:
    adjustment = every_guide()[which]
    while (due := adjustment.next_step) is not None:
        after = adjustment.steps[adjustment.steps.index(due) + 1 :]
        for step in after:
            if step is not Step.CONSENT:
                with pytest.raises(RemedyError, match=f"Due now: {due}"):
                    say(adjustment, step, first_answer(adjustment, step), note="Owner & Co")
        adjustment = say(adjustment, due, first_answer(adjustment, due), note="Owner & Co")


def test_a_move_is_refused_before_the_lock_is_answered() -> None:
    with pytest.raises(RemedyError, match="cannot be marked as moved before its lock was looked at"):
        say(walk(screw(), Step.LOCK), Step.MOVE)


def test_a_sensor_that_stays_locked_is_not_moved() -> None:
    stopped = say(walk(screw(), Step.LOCK), Step.LOCK, StepAnswer.STAYS_LOCKED)
    assert stopped.is_stopped
    assert stopped.next_step is Step.FLAG
    with pytest.raises(RemedyError, match="B1 stays locked: nothing is moved"):
        say(stopped, Step.MOVE)
    ended = say(stopped, Step.FLAG)
    assert ended.next_step is None
    assert ended.made is None


def test_a_lock_is_released_only_with_the_owners_consent() -> None:
    at_lock = walk(screw(), Step.LOCK)
    with pytest.raises(RemedyError, match="only with the owner's consent"):
        say(at_lock, Step.LOCK, StepAnswer.RELEASED)
    with pytest.raises(RemedyError, match="Write the owner's name"):
        say(at_lock, Step.CONSENT)
    allowed = say(say(at_lock, Step.CONSENT, note="Owner & Co"), Step.LOCK, StepAnswer.RELEASED)
    assert allowed.steps[0] is Step.CONSENT
    assert walk(allowed).next_step is None


def test_a_lock_that_the_kit_did_not_know_is_asked_about_again_after_the_move() -> None:
    found = say(walk(screw(False), Step.LOCK), Step.LOCK, StepAnswer.WAS_FREE)
    assert Step.LOCK_AFTER in found.steps
    none = say(walk(screw(None), Step.LOCK), Step.LOCK, StepAnswer.NO_LOCK)
    assert Step.LOCK_AFTER not in none.steps


def test_a_step_taken_back_leaves_its_trace_and_opens_what_followed() -> None:
    done = walk(screw())
    again = back(done, Step.LOCK)
    assert again.events[: len(done.events)] == done.events
    assert again.next_step is Step.LOCK
    assert list(again.confirmed) == [Step.CLEAN]
    assert again.made is None
    assert walk(again).next_step is None
    with pytest.raises(RemedyError, match="nothing to take back"):
        back(again, Step.MOVE)
    with pytest.raises(RemedyError, match="Write the reason"):
        back(done, Step.MOVE, reason=" ")


def test_what_was_made_may_differ_from_what_was_planned() -> None:
    made = replace(TURN, turns=0.3, turn=Turn.ANTICLOCKWISE)
    moved = say(walk(screw(), Step.MOVE), Step.MOVE, move=made)
    assert moved.made == made
    assert moved.planned == TURN


def test_a_lens_that_is_sent_out_has_no_move_of_ours() -> None:
    sent = say(walk(begin_lens("L1"), Step.MOVE), Step.MOVE, StepAnswer.SENT_OUT)
    assert sent.made is None
    assert sent.next_step is Step.MARK


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0.22, "79° clockwise (0.22 turn, a little less than a quarter turn)"),
        (0.25, "90° clockwise (0.25 turn, a quarter turn)"),
        (0.13, "47° clockwise (0.13 turn, an eighth of a turn)"),
        (0.03, "11° clockwise (0.03 turn, less than an eighth of a turn)"),
        (1.5, "540° clockwise (1.50 turn, one turn and a half)"),
        (2.0, "720° clockwise (2.00 turn, 2 turns)"),
        (0.64, "230° clockwise (0.64 turn, a little more than five eighths of a turn)"),
    ],
)
def test_turns_are_said_in_degrees_and_eighths(turns: float, words: str) -> None:
    assert turns_text(turns, Turn.CLOCKWISE) == words


def test_the_move_is_told_with_its_direction_and_from_which_side() -> None:
    text = step_text(Step.MOVE, Guide.SCREW, TURN)
    assert "79° clockwise" in text
    assert "Turn back anticlockwise by more than the play first, then come up clockwise" in text
    assert step_text(Step.MOVE, Guide.LENS_SHIM, SHIM).startswith("Put in 20 + 10 µm.")
    less = Move(change_um=-12.0)
    assert step_text(Step.MOVE, Guide.SHIMMED_MOUNT, less).startswith("Take away 12 µm of shim.")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: begin("B1", None), "How B1 is adjusted is not known"),
        (lambda: screw().confirm(Step.CLEAN, who=" ", when=NOON), "Who did this is missing"),
        (lambda: screw().confirm(Step.CLEAN, who="Rosa", when=NOON.replace(tzinfo=None)), "no time zone"),
        (lambda: say(screw(), Step.CLEAN, StepAnswer.SET), "cannot be answered with set. Answer with done"),
        (lambda: say(say(screw(), Step.CLEAN), Step.CLEAN), "confirmed already. Take it back first"),
        (lambda: say(screw(), Step.SHIMS_MEASURED), "no step of this adjustment"),
        (lambda: say(screw(), Step.CLEAN, move=TURN), "belongs to the step move"),
        (
            lambda: say(walk(begin("B1", Screw()), Step.MOVE), Step.MOVE),
            "How far the screw of B1 was turned is missing",
        ),
        (lambda: say(walk(begin_lens("L1"), Step.MOVE), Step.MOVE), "Which shims went into or out of L1"),
        (lambda: Move(turns=0.2), "direction of the turns is missing"),
        (lambda: Move(turns=-1, turn=Turn.CLOCKWISE), "-1 turns cannot be"),
        (lambda: Move(change_um=math.nan), "not finite"),
        (lambda: Move(shims_in_um=(0.0,)), "thickness above 0"),
        (lambda: Adjustment.from_json({"schema": "x"}), "no adjustment that can be read"),
        (
            lambda: Adjustment.from_json(
                {**walk(screw()).to_json(), "events": walk(screw()).to_json()["events"][1:]}
            ),
            "Due now: clean",
        ),
    ],
)
def test_impossible_steps_are_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(RemedyError, match=words):
        call()
