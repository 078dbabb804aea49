"""Remedies: the way is never wrong, the amount has its interval, and the undecided gets none."""

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import RemedyError
from shimwise.inference.verdict.answer import Answer, BodyAnswer, LensAnswer, SetupAnswer, Verdict
from shimwise.inference.verdict.unit_change import UnitChange
from shimwise.notices import Notice
from shimwise.remedy.advice import advise, advise_body, advise_lens, advise_scale, advise_setup
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn
from shimwise.remedy.remedy import Action, Direction, Remedy, RemedyKind
from shimwise.remedy.screw_history import ScrewHistory, SeenTravel, Turned
from shimwise.sheets.words.notices import joined_text, notice_text


def text_of(remedy: Remedy) -> str:
    return joined_text(remedy.advice)


def texts(notices: Iterable[Notice]) -> list[str]:
    return [notice_text(one) for one in notices]


SCREW = Screw(um_per_turn=360, away=Turn.CLOCKWISE, has_lock=True, backlash_um=12)
MECHANISMS = [SCREW, Screw(), ShimmedMount(stock_um=(10, 20, 50)), ShimmedMount(), Fixed(), None]
ADDING = {Direction.AWAY, Direction.ADD}
UNDECIDED = [Verdict.IN_TOLERANCE, Verdict.CANNOT_TELL, Verdict.NOT_CHECKED]


def numbers(error_um: float, verdict: Verdict | None = None, half_um: float = 6.0) -> dict[str, Any]:
    out = Verdict.OUT_SHORT if error_um < 0 else Verdict.OUT_DEEP
    return {
        "error_um": error_um,
        "sd_um": half_um / 1.96,
        "low_um": error_um - half_um,
        "high_um": error_um + half_um,
        "p_out": 0.97,
        "verdict": verdict or out,
        "tolerance_um": 10.0,
    }


def a_body(error_um: float, verdict: Verdict | None = None, name: str = "B1", **more: float) -> BodyAnswer:
    return BodyAnswer(name=name, **numbers(error_um, verdict, **more))


def a_lens(
    error_um: float,
    verdict: Verdict | None = None,
    name: str = "L1",
    permille: float = 0.0,
    p_scale_out: float = 0.0,
) -> LensAnswer:
    return LensAnswer(
        name=name,
        scale_permille=permille,
        scale_sd_permille=1.0,
        p_scale_out=p_scale_out,
        **numbers(error_um, verdict),
    )


def a_setup(error_mm: float, p_out: float) -> SetupAnswer:
    return SetupAnswer(name="B1 at 3'", error_mm=error_mm, sd_mm=4.0, p_out=p_out)


@given(error=st.floats(10, 400), is_short=st.booleans(), mechanism=st.sampled_from(MECHANISMS))
def test_short_is_added_and_deep_taken_away_at_body_and_lens_alike(
    error: float, is_short: bool, mechanism: Mechanism | None
) -> None:
    signed = -error if is_short else error
    for remedy in (advise_body(a_body(signed), mechanism=mechanism), advise_lens(a_lens(signed))):
        assert (remedy.direction in ADDING) == is_short
        assert remedy.amount_um == error


@pytest.mark.parametrize("verdict", UNDECIDED)
@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_a_unit_that_is_not_decided_gets_no_remedy(verdict: Verdict, mechanism: Mechanism | None) -> None:
    assert advise_body(a_body(-40, verdict), mechanism=mechanism) is None
    assert advise_lens(a_lens(-40, verdict), stock_um=(10,)) is None


@pytest.mark.parametrize("away", list(Turn))
def test_the_screw_is_turned_away_for_short_and_back_for_deep(away: Turn) -> None:
    screw = Screw(um_per_turn=360, away=away)
    assert advise_body(a_body(-20), mechanism=screw).turn is away
    assert advise_body(a_body(20), mechanism=screw).turn is away.opposite


def test_the_turn_has_degrees_turns_and_an_interval_and_the_play_apart() -> None:
    # 360 µm a turn: one degree a micron, so the degrees are the microns; the play of 12 µm is 12°.
    screw = replace(SCREW, um_per_turn_sd=4)
    remedy = advise_body(a_body(-18, half_um=6), mechanism=screw)
    assert remedy.turns == pytest.approx(0.05, rel=0.01)
    assert remedy.play_turns == pytest.approx(12 / 360, rel=0.01)
    text = text_of(remedy)
    assert "short by 18 ± 6 µm (95 %)" in text
    assert "18 µm away from the flange" in text
    assert "turn the screw clockwise by 18° (0.05 turn; 95 %: 12° to 24°) after the play is taken up" in text
    assert "up to 12° more before the sensor moves" in text
    assert text.endswith("by what is entered of its screw.")


def test_an_uncertain_travel_widens_the_turn_as_relative_errors_add() -> None:
    def share(sd_um: float) -> float:
        screw = Screw(um_per_turn=500, um_per_turn_sd=sd_um, away=Turn.CLOCKWISE, backlash_um=1)
        remedy = advise_body(a_body(-30, half_um=1.96), mechanism=screw)
        return remedy.turns_sd / remedy.turns

    # The grid of the travel goes in steps of 1.4 %; the least uncertainty is 1 %.
    assert share(25) == pytest.approx(math.hypot(1 / 30, 0.05), rel=0.1)
    assert share(5) == pytest.approx(math.hypot(1 / 30, 0.01), rel=0.1)


def test_what_is_entered_of_a_screw_is_what_is_used() -> None:
    # Without its uncertainty the prior of any screw used to draw 350 µm a turn to 343.
    for um_per_turn in (150.0, 350.0, 900.0):
        turned = advise_body(a_body(-30), mechanism=Screw(um_per_turn=um_per_turn, away=Turn.CLOCKWISE))
        known = ScrewHistory(screw=Screw(um_per_turn=um_per_turn, away=Turn.CLOCKWISE)).known()
        assert known.um_per_turn == pytest.approx(um_per_turn, rel=2e-3)
        assert turned is not None


def test_until_a_screw_is_known_a_small_first_move_is_advised_without_an_interval() -> None:
    remedy = advise_body(a_body(-20), mechanism=Screw())
    assert remedy.turns_sd is None
    assert 360 * remedy.turns == pytest.approx(29, abs=15)
    text = text_of(remedy)
    assert "A turn makes 83 to 720 µm (95 %), not known well enough for the whole way" in text
    assert "after the play is taken up, as a small first move, and read again" in text
    assert "if the landings go deeper, the sensor went away from the flange" in text
    known = advise_body(a_body(-20), mechanism=Screw(away=Turn.ANTICLOCKWISE))
    assert "turn the screw anticlockwise" in text_of(known)
    assert "Which way is away" not in text_of(known)


def test_what_a_screw_has_shown_is_what_the_turn_rests_on() -> None:
    change = UnitChange(-36.0, 1.0)
    history = ScrewHistory(screw=SCREW, turned=(Turned(turns=-0.10, is_after_play=True, change=change),) * 2)
    again = advise_body(a_body(18), mechanism=SCREW, turned=history)
    assert again.turn is Turn.ANTICLOCKWISE
    assert again.play_turns == 0.0  # it was turned the same way last
    assert "up to" not in text_of(again)
    assert text_of(again).endswith("by what 2 moves of it showed.")
    back = advise_body(a_body(-18), mechanism=SCREW, turned=history)
    assert back.play_turns > 0


def test_a_travel_that_frames_along_the_screw_showed_is_learned_and_the_sense_is_not() -> None:
    unknown = ScrewHistory(screw=Screw()).known()
    seen = (Turned(turns=0.12, seen=SeenTravel(470.0, 28.0)),)
    known = ScrewHistory(screw=Screw(), turned=seen).known()
    # Of 245 µm give or take a factor of 1.7 little is left beside 470 ± 28 µm.
    assert known.um_per_turn == pytest.approx(470.0, abs=10.0)
    assert known.um_per_turn_sd == pytest.approx(28.0, abs=3.0)
    assert unknown.um_per_turn_sd > 100
    assert known.p_sense == pytest.approx(0.5)
    entered = ScrewHistory(screw=Screw(um_per_turn=400.0, um_per_turn_sd=28.0), turned=seen).known()
    assert entered.um_per_turn == pytest.approx(435.0, abs=5.0)  # the mean of two equally good values
    other = ScrewHistory(screw=Screw(um_per_turn=150.0, um_per_turn_sd=5.0), turned=seen).known()
    assert other.um_per_turn == pytest.approx(150.0, abs=2.0)  # frames of another screw, or another stop


def place(steps: tuple[str, ...], word: str) -> int:
    found = [index for index, step in enumerate(steps) if word in step]
    assert len(found) == 1, (word, steps)
    return found[0]


@pytest.mark.parametrize("has_lock", [True, None])
def test_the_interlocks_of_a_screw_come_in_their_order(has_lock: bool | None) -> None:
    steps = texts(advise_body(a_body(-20), mechanism=Screw(has_lock=has_lock)).steps)
    words = (
        "Clean the lens seat and the flange",
        "owner's consent",
        "Approach from one side",
        "stop at resistance",
        "two lenses at two distances",
        "Set the lock",
        "Mark the outside",
    )
    places = [place(steps, word) for word in words]
    assert places == sorted(places)


def test_a_screw_without_a_lock_is_looked_at_but_not_locked() -> None:
    steps = texts(advise_body(a_body(-20), mechanism=Screw(has_lock=False)).steps)
    assert place(steps, "no lock: look whether that is so") < place(steps, "Approach from one side")
    assert not any("Set the lock" in step for step in steps)


def test_the_last_move_goes_the_way_of_the_remedy_past_the_play() -> None:
    steps = texts(advise_body(a_body(20), mechanism=SCREW).steps)
    assert any(
        "turn back clockwise by more than the play of 12 µm (12°), then come up anticlockwise" in step
        for step in steps
    )


@pytest.mark.parametrize("mechanism", [SCREW, Screw(), None])
def test_a_sensor_that_may_be_locked_is_never_moved_without_that_caution(mechanism: Mechanism | None) -> None:
    remedy = advise_body(a_body(-20), mechanism=mechanism)
    assert "Never move a sensor that is locked: check the lock first." in texts(remedy.cautions)
    if mechanism is not None:
        assert "heck the lock" in text_of(remedy)


@pytest.mark.parametrize("mechanism", [ShimmedMount(), Fixed(), None])
def test_a_fixed_or_shimmed_sensor_is_opened_only_by_the_authorised(mechanism: Mechanism | None) -> None:
    cautions = texts(advise_body(a_body(-20), mechanism=mechanism).cautions)
    assert any("only by those its owner has authorised" in caution for caution in cautions)


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_every_remedy_defers_to_maker_owner_and_local_rules(mechanism: Mechanism | None) -> None:
    answer = Answer(
        tolerance_um=10,
        headline="",
        bodies=(a_body(-20),),
        lenses=(a_lens(-20, permille=-6, p_scale_out=0.9),),
        setups=(a_setup(30, 0.9),),
        operators=(),
        readings=(),
        causes=(),
        next=(),
        notices=(),
    )
    remedies = advise(answer, mechanisms={"B1": mechanism})
    assert [remedy.kind for remedy in remedies] == [
        RemedyKind.SETUP,
        RemedyKind.BODY,
        RemedyKind.LENS,
        RemedyKind.SCALE,
    ]
    for remedy in remedies:
        assert remedy.steps
        assert "service instructions" in texts(remedy.cautions)[-1]
        assert remedy.unit in text_of(remedy)
        assert "±" in text_of(remedy)


def test_a_fixed_sensor_is_sent_to_those_the_owner_has_authorised() -> None:
    remedy = advise_body(a_body(30), mechanism=Fixed())
    assert (remedy.action, remedy.direction) == (Action.SEND_OUT, Direction.TOWARD)
    assert "To those the owner has authorised" in text_of(remedy)


def test_an_unknown_mechanism_is_to_be_found_out_before_anything_is_turned() -> None:
    remedy = advise_body(a_body(-30))
    assert remedy.action is Action.MOVE_SENSOR
    assert "find out before anything is turned or opened" in text_of(remedy)
    assert not any(
        word in step for step in texts(remedy.steps) for word in ("Turn ", "Approach", "Change the stack")
    )


def test_a_shimmed_mount_gets_the_fewest_shims_of_its_own_stock() -> None:
    remedy = advise_body(a_body(-32), mechanism=ShimmedMount(stock_um=(10, 20)), stock_um=(32,))
    assert (remedy.action, remedy.shims_um, remedy.leftover_um) == (Action.SHIM_MOUNT, (20, 10), 2)
    assert "add 32 µm of shim at the mount (20 + 10 µm of the stock: leaves 2.0 µm)" in joined_text(
        remedy.advice
    )


def test_a_mount_without_a_stock_of_its_own_uses_the_stock_of_the_house() -> None:
    assert advise_body(a_body(-32), mechanism=ShimmedMount(), stock_um=(32,)).shims_um == (32,)


def test_a_stock_that_leaves_too_much_says_so() -> None:
    text = text_of(advise_body(a_body(-27), mechanism=ShimmedMount(stock_um=(20,))))
    assert "the nearest is 20 µm of the stock: leaves 7.0 µm, more than a third of the tolerance" in text
    assert "no shim of the stock comes near" in text_of(advise_lens(a_lens(-12), stock_um=(100,)))


def test_a_stack_without_a_known_stock_names_no_shims() -> None:
    remedy = advise_body(a_body(27), mechanism=ShimmedMount())
    assert (remedy.shims_um, remedy.leftover_um) == ((), None)
    assert text_of(remedy).endswith("take away 27 µm of shim at the mount.")


def test_a_short_lens_goes_to_a_lens_technician_for_a_thicker_shim() -> None:
    remedy = advise_lens(a_lens(-24), stock_um=(5, 20))
    assert remedy.action is Action.SHIM_LENS
    assert "to a lens technician" in text_of(remedy)
    assert "24 µm thicker (20 + 5 µm of the stock: leaves 1.0 µm)" in text_of(remedy)
    assert "Shimming a lens is a lens technician's work." in texts(remedy.cautions)
    assert "Never look into a collimator's lamp or a laser." in texts(remedy.cautions)


def test_a_deep_lens_gets_a_thinner_shim() -> None:
    assert "Suggested is a shim 24 µm thinner." in text_of(advise_lens(a_lens(24)))


def test_a_scale_is_sent_out_since_no_shim_cures_it() -> None:
    assert advise_scale(a_lens(0, Verdict.IN_TOLERANCE, permille=-6, p_scale_out=0.8)) is None
    remedy = advise_scale(a_lens(0, Verdict.IN_TOLERANCE, permille=-6, p_scale_out=0.81))
    assert (remedy.action, remedy.amount_um, remedy.direction) == (Action.SEND_OUT, None, None)
    assert "reads short, more the nearer it is focused: 6.0 ± 2.0 ‰" in text_of(remedy)


def test_a_scale_error_is_inches_at_the_ring_where_the_focal_length_is_known() -> None:
    # A ring that is 6 ‰ too far out at 3 ft is where the conjugates have a chart that is a little nearer.
    remedy = advise_scale(a_lens(0, Verdict.IN_TOLERANCE, permille=-6, p_scale_out=0.9), focal_mm=50.0)
    text = text_of(remedy)
    assert "with the chart at 3 ft the ring is 0.19 ± 0.06 inch (5 ± 2 mm) off (95 %)" in text
    ring_mm = abs(remedy.advice[0].numbers["ring_mm"])
    m = (914.4 / 50 - 2 - math.sqrt((914.4 / 50 - 2) ** 2 - 4)) / 2
    extension = 50 * m * (1 + 6e-3)  # the ring is out further, as for a nearer chart
    nearer = 50 * (2 + extension / 50 + 50 / extension)
    assert ring_mm == pytest.approx(914.4 - nearer, rel=1e-6)
    assert "‰" not in text


def test_a_chart_that_stands_too_far_is_brought_nearer() -> None:
    # The set-up's error is true minus taped: above 0 the chart stands farther than the tape says.
    remedy = advise_setup(a_setup(34, 0.9))
    assert (remedy.action, remedy.direction, remedy.amount_um) == (Action.RE_TAPE, Direction.NEARER, 34_000)
    assert "34 ± 8 mm (95 %) farther than the distance written" in text_of(remedy)
    assert advise_setup(a_setup(-34, 0.9)).direction is Direction.FARTHER
    assert advise_setup(a_setup(34, 0.8)) is None


def test_a_very_large_error_asks_for_dirt_and_a_bad_seat_first() -> None:
    def asks(error_um: float) -> bool:
        cautions = texts(advise_body(a_body(error_um), mechanism=SCREW).cautions)
        return any("look for dirt" in caution for caution in cautions)

    assert asks(-150)
    assert not asks(-50)


@pytest.mark.parametrize(
    ("error", "verdict"), [(5, Verdict.OUT_SHORT), (-5, Verdict.OUT_DEEP), (0, Verdict.OUT_DEEP)]
)
def test_a_verdict_that_its_own_error_contradicts_gives_no_remedy_but_an_error(
    error: float, verdict: Verdict
) -> None:
    with pytest.raises(RemedyError, match=r"B1 is judged out_.* judge again"):
        advise_body(a_body(error, verdict), mechanism=SCREW)


@pytest.mark.parametrize("error", [math.nan, math.inf])
def test_an_answer_that_is_no_number_is_refused(error: float) -> None:
    with pytest.raises(RemedyError, match="no number"):
        advise_body(a_body(error, Verdict.OUT_DEEP), mechanism=SCREW)
    with pytest.raises(RemedyError, match="no number"):
        advise_setup(a_setup(error, 0.9))
