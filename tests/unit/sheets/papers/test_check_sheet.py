"""The check sheet's words: a move is one figure, and what was not judged since is not called its result."""

from dataclasses import replace
from typing import Any

from invented_preps import prep_document

from shimwise.inference.verdict.answer import Answer, ReadingAnswer
from shimwise.sheets.json.verdict_json import answer_from_json
from shimwise.sheets.papers.check_sheet import check_sheet
from shimwise.sheets.papers.signed.prep_document import read_prep

WAS = "A-12 before adjustment 1"


def landing(row: int, body: str, um: float) -> ReadingAnswer:
    return ReadingAnswer(
        row=row, line=row, body=body, lens="H50", setup="S", landing_um=um, sd_um=2.0, weight=1.0
    )


def adjusted(document: dict[str, Any], readings: tuple[ReadingAnswer, ...] = ()) -> dict[str, str]:
    answer: Answer = answer_from_json(document["verdicts"][0]["document"])
    body = next(one for one in answer.bodies if one.name == "A-12")
    changed = replace(answer, readings=readings, past_bodies=(replace(body, name=WAS),))
    (row,) = check_sheet(read_prep(document), changed)["adjustments"]
    found: dict[str, str] = row
    return found


def bare() -> dict[str, Any]:
    document = prep_document(readings=96, with_sweep=False)
    document["adjustments"] = [{**document["adjustments"][0], "before": None, "after": None}]
    return document


def test_a_move_is_what_its_readings_show_and_expected_until_then() -> None:
    assert adjusted(bare())["moved"].startswith("+12 ± 3 µm expected")
    # Four readings of 2 µm on either side, one lens: the difference of two means has an sd of √2 µm.
    pairs = [landing(n, WAS, -20.0) for n in range(4)] + [landing(n + 4, "A-12", 3.0) for n in range(4)]
    assert adjusted(bare(), tuple(pairs))["moved"].startswith("+23 ± 3 µm by its readings")


def test_a_verdict_of_before_the_move_is_not_shown_as_after_it() -> None:
    document = bare()
    judged = adjusted(document)
    assert judged["after"] != "not judged yet"
    document["adjustments"][0]["made_at"] = "2026-02-04T08:40:00+00:00"  # a day after the verdict
    stale = adjusted(document)
    assert (stale["before"], stale["after"]) == (judged["after"], "not judged yet")


def test_who_gave_consent_and_how_the_lock_was_left_are_on_the_sheet() -> None:
    released = {"event": "confirmed", "step": "lock", "answer": "released", "note": "the owner, by phone"}
    after = {"event": "confirmed", "step": "lock after", "answer": "left free", "note": ""}
    document = bare()
    document["adjustments"][0]["steps"] = [
        {"event": "confirmed", "step": "consent", "answer": "done", "note": "Ona Fell, by letter"},
        released,
        after,
        {"event": "taken back", "step": "lock after", "reason": "a slip"},
        {**after, "answer": "set"},
    ]
    told = "Consent: Ona Fell, by letter; lock released, consent: the owner, by phone; lock set again."
    assert adjusted(document)["steps"] == told
    document["adjustments"][0]["steps"] = []
    assert adjusted(document)["steps"] == ""
