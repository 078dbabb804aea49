"""A guided adjustment on its page: each step in turn, refusals in words, taken back with a trace."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door
from pages_bench import adjusting_at, furnished, sent
from pages_house import PageSeen, see

from screw_peak import PEAK

BEFORE_MOVE = (("clean", "done"), ("lock", "was free"), ("place", "slot at the top"))
AFTER_MOVE = (("lock after", "left free"), ("mark", "done"), ("flag", "done"))


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record", short_um=-20.0) as opened:
        yield opened


@pytest.fixture
def prep_id(door: Door) -> str:
    return door.ids["prep"]


@pytest.fixture
def at(door: Door, prep_id: str) -> str:
    return adjusting_at(door, prep_id)


def answered(door: Door, at: str, steps: tuple[tuple[str, str], ...]) -> None:
    for step, answer in steps:
        sent(door, f"{at}/answers", step=step, answer=answer)


def test_the_remedy_leads_to_the_adjustment_of_its_unit(door: Door, prep_id: str) -> None:
    link = f"/preps/{prep_id}/adjust?kind=body&unit=A-01"
    assert link in see(door, f"/preps/{prep_id}").links
    assert see(door, link).sentence == "Body A-01: adjust it step by step."


def test_an_adjustment_under_way_is_gone_on_with_not_begun_again(door: Door, prep_id: str, at: str) -> None:
    again = door.client.get(f"/preps/{prep_id}/adjust?kind=body&unit=A-01")
    assert (again.status_code, again.headers["location"]) == (303, at)


def test_nothing_chosen_and_a_unit_that_is_not_out_are_refused_in_words(door: Door, prep_id: str) -> None:
    nothing = sent(door, f"/preps/{prep_id}/adjust", 422)
    assert "Choose what is to be adjusted." in nothing.text
    lens = sent(door, f"/preps/{prep_id}/adjust", 409, unit=f"lens:{door.ids['H50']}")
    assert "not judged to be out" in lens.text


def test_one_step_is_asked_at_a_time_and_the_move_stands_in_words(door: Door, at: str) -> None:
    page = see(door, at)
    assert "clean" in page.sentence.lower()
    assert page.text.count("to come") == 6
    assert "clockwise (0.05 turn" in page.text
    assert "Come up clockwise from one side" in page.text
    assert "Take care." in page.text
    assert "Moved as told" not in page.text


def test_a_move_before_the_lock_step_is_not_offered_and_is_refused_keeping_what_was_typed(
    door: Door, at: str
) -> None:
    answered(door, at, BEFORE_MOVE[:1])
    assert "Moved as told" not in see(door, at).text
    for is_scripted in (False, True):
        refused = sent(
            door, f"{at}/answers", 409, is_scripted=is_scripted, step="move", answer="0.06 turn clockwise"
        )
        page = PageSeen(refused.text)
        assert "before its lock was looked at" in page.text
        assert "0.06 turn clockwise" in page.text
    kept = sent(door, f"{at}/answers", step="lock", answer="was free", typed_move="0.06 turn clockwise")
    on = sent(door, f"{at}/answers", step="place", answer="top", typed_move="0.06 turn clockwise").headers[
        "location"
    ]
    assert kept.headers["location"].startswith(f"{at}?typed_move=")
    assert 'value="0.06 turn clockwise"' in door.client.get(on).text


def test_the_steps_are_confirmed_to_the_end_and_what_to_read_again_is_told(
    door: Door, prep_id: str, at: str
) -> None:
    answered(door, at, (*BEFORE_MOVE, ("move", "done"), *AFTER_MOVE))
    page = see(door, at)
    assert page.sentence == "Every step on Body A-01 is answered: finish the adjustment."
    assert "slot at the top" in page.text
    assert "Left free" in page.text
    sent(door, f"{at}/finish")
    after = see(door, at)
    assert after.sentence.startswith("Body A-01 was moved by +")
    assert "The verdict asked for" not in after.text
    assert "at least 2 lenses and 2 distances" in after.text
    told = " ".join(after.text.split("Before and after")[1].split())
    assert "Body A-01 −20 ± 3 0 ±" in told
    assert door.get(f"/bodies/{door.ids['A-01']}")["adjustments"][0]["epoch_after"] == 1
    moved = see(door, f"/preps/{prep_id}")
    assert "Adjust step by step: A-01 before" not in moved.text
    (asked,) = door.get(f"/preps/{prep_id}/recheck")["rechecks"]
    for one in asked["readings"]:
        door.read(prep_id, "on", lens_id=one["lens_id"], distance_text=one["distance_text"])
    assert see(door, at).sentence == "Body A-01 was moved, and has been read again."
    sent(door, f"{at}/answers", 409, step="clean", answer="done")


def test_a_move_stands_beside_what_the_verdict_asked_for_and_a_difference_is_said(
    door: Door, at: str
) -> None:
    answered(door, at, (*BEFORE_MOVE, ("move", "60 ± 2 µm toward"), *AFTER_MOVE))
    sent(door, f"{at}/finish")
    page = see(door, at)
    assert page.sentence == "Body A-01 was moved by −60 ± 2 µm; now read it again."
    text = " ".join(page.text.split())
    assert re.search(r"The verdict asked for \+\d+ ± \d+ µm; the re-check shows", text)
    assert text.count("60 ± 2 µm toward, by the picture") == 2  # with the move, and with its step


def peak_sent(door: Door, at: str, document: object, status: int) -> PageSeen:
    told = door.client.post(
        f"{at}/peak",
        data={"who": WHO, "by": "frames"},
        files={"sweep": ("peak.json", json.dumps(document), "application/json")},
    )
    assert told.status_code == status, told.text[:400]
    return see(door, at) if status == 303 else PageSeen(told.text)


def test_a_sweep_along_the_screw_tells_where_the_peak_lies_and_the_move_leads_there(
    door: Door, prep_id: str, at: str
) -> None:
    assert "due now: clean" in peak_sent(door, at, PEAK, 409).text.lower()
    answered(door, at, BEFORE_MOVE)
    assert "Find the peak with frames" in see(door, at).text
    assert "not along a screw" in peak_sent(door, at, {**PEAK, "swept": "sensor"}, 422).text
    assert "This is no result of a sweep" in peak_sent(door, at, [], 422).text
    withheld = {**PEAK, "best_turns": None, "flags": ["peak at the end of the sweep: …"]}
    assert "tells no peak: peak at the end" in peak_sent(door, at, withheld, 422).text
    page = peak_sent(door, at, PEAK, 303)
    assert "The peak lies 0.120 ± 0.008 turn (43°) clockwise of where the screw stood at first" in page.text
    assert "Turn the screw 43° clockwise (0.12 turn" in page.sentence
    answered(door, at, (("move", "done"), *AFTER_MOVE))
    sent(door, f"{at}/finish")
    (move,) = door.get(f"/preps/{prep_id}/adjustments")["adjustments"]
    assert move["turns"] == pytest.approx(0.12)
    expected_um = door.get(f"/bodies/{door.ids['A-01']}")["adjustments"][0]["amount_um"]
    assert 0.12 * 380 < expected_um < 0.12 * 396  # between 400 ± 4 as entered and 380 ± 4 by the frames


def test_by_eye_the_page_leads_through_the_search_and_asks_for_repeats(door: Door, at: str) -> None:
    answered(door, at, BEFORE_MOVE)
    once = sent(door, f"{at}/peak", 422, sharpest="0.10 clockwise")
    assert "has 1 of 3 places at least" in PageSeen(once.text).text
    unsigned = sent(door, f"{at}/peak", 422, sharpest="0.10 0.12 0.11")
    assert "does not say which way" in PageSeen(unsigned.text).text
    assert 'aria-describedby="sharpest-' in unsigned.text, "beside the peak, not beside the move"
    sent(door, f"{at}/peak", sharpest="0.10 0.12 0.11 anticlockwise")
    # Mean 0.11, sd 0.01: t(2) 4.30 · 0.01/√3 = 0.025, with the angle's own 0.008: 0.026.
    assert "The peak lies 0.110 ± 0.026 turn (40°) anticlockwise" in see(door, at).text


def test_what_has_to_be_read_again_is_put_on_the_pad_with_one_tap(door: Door, prep_id: str, at: str) -> None:
    assert "has to be read again" not in see(door, f"/preps/{prep_id}").text
    answered(door, at, (*BEFORE_MOVE, ("move", "done"), *AFTER_MOVE))
    sent(door, f"{at}/finish")
    taps = [link for link in see(door, at).links if "lens=" in link]
    assert len(taps) >= 4
    prep = door.client.get(f"/preps/{prep_id}").text
    assert "has to be read again after its adjustment" in PageSeen(prep).text
    assert prep.count("data-take-next data-body-id") >= 4
    h50, body = door.ids["H50"], door.ids["A-01"]
    untaped = next(link for link in taps if f"lens={h50}" in link and "setup=&" in link)
    pad = door.client.get(untaped).text
    assert f'name="lens_id" value="{h50}"' in pad
    chosen = [line for line in pad.splitlines() if "checked" in line and "lens_id" in line]
    assert any(f'value="{h50}"' in piece and "checked" in piece for piece in chosen[0].split("<label"))
    assert f'name="body_id" value="{body}"' in pad
    assert "6&#39;" in pad.split('id="distance_text"')[1][:120]
    odd = door.client.get(f"/preps/{prep_id}?body=none&lens=none&distance=9'")
    assert odd.status_code == 200


def test_readings_from_before_a_move_stay_in_the_list_and_leave_the_picture(
    door: Door, prep_id: str, at: str
) -> None:
    answered(door, at, (*BEFORE_MOVE, ("move", "done"), *AFTER_MOVE))
    sent(door, f"{at}/finish")
    door.read(prep_id, "on", lens_id=door.ids["H35"])
    door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    page = see(door, f"/preps/{prep_id}")
    assert "before adjustment 1" not in page.text
    assert page.text.count("before the adjustment") == 2
    rail = see(door, f"/preps/{prep_id}/rail").text
    assert "before adjustment" not in rail
    table = " ".join(rail.split("Expected")[1].split())
    assert table.startswith("A-01H35 35 mm f/20")  # the new reading, on the mark
    assert "A-01H50 50 mm f/2not read" in table


def test_a_step_is_taken_back_with_a_reason_and_the_trace_stays(door: Door, at: str) -> None:
    answered(door, at, BEFORE_MOVE[:2])
    bare = sent(door, f"{at}/take-back", 422, step="lock", reason="")
    assert PageSeen(bare.text).controls
    sent(door, f"{at}/take-back", step="lock", reason="looked at the wrong body")
    page = see(door, at)
    assert f"Lock, by {WHO}: looked at the wrong body" in page.text
    assert "Moved as told" not in page.text


def test_giving_up_needs_a_reason_and_ends_it(door: Door, at: str) -> None:
    sent(door, f"{at}/give-up", 422, reason="")
    sent(door, f"{at}/give-up", reason="the owner says no")
    page = see(door, at)
    assert "was given up" in page.sentence
    assert "the owner says no" in page.text


def test_an_answer_that_cannot_be_read_stands_beside_its_field_as_typed(door: Door, at: str) -> None:
    answered(door, at, BEFORE_MOVE)
    refused = sent(door, f"{at}/answers", 422, step="move", answer="a bit")
    assert 'value="a bit"' in refused.text
    assert 'id="answer-wrong"' in refused.text
    assert 'aria-invalid="true"' in refused.text


def test_a_screw_that_stays_locked_is_not_moved(door: Door, at: str) -> None:
    answered(door, at, (("clean", "done"), ("lock", "stays locked")))
    page = see(door, at)
    assert "Moved as told" not in page.text
    assert "locked, not adjusted" in page.sentence
    assert "answered when its step is due" not in page.text
    while "finish the adjustment" not in page.sentence:
        step = "flag" if "flag" in page.sentence else "mark"
        sent(door, f"{at}/answers", step=step, answer="done")
        page = see(door, at)
    sent(door, f"{at}/finish")
    assert "stays locked: it was not moved" in see(door, at).sentence


def test_with_a_script_only_the_guide_and_its_sentence_are_answered(door: Door, at: str) -> None:
    part = sent(door, f"{at}/answers", 200, is_scripted=True, step="clean", answer="done").text
    assert "<html" not in part
    assert 'id="guide-said" hx-swap-oob="innerHTML"' in part
    assert "What you found" in part


def test_every_control_has_a_label_and_nothing_is_inline(door: Door, prep_id: str, at: str) -> None:
    pages = [see(door, f"/preps/{prep_id}/adjust"), see(door, at)]
    answered(door, at, BEFORE_MOVE)
    pages.append(see(door, at))
    for page in pages:
        assert page.unlabelled == []
        assert page.forbidden == []
        assert len(page.ids) == len(set(page.ids))


def test_an_unknown_adjustment_is_not_found(door: Door, prep_id: str) -> None:
    see(door, f"/preps/{prep_id}/adjust/{'0' * 32}", 404)
