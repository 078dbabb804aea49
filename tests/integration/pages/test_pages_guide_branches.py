"""Every branch of a guided adjustment, walked to its end with nothing but what its page offers."""

from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from api_house import SCREW, WHO, Door
from pages_bench import furnished, sent
from pages_house import see

MOVED, LOCKED = "was moved by", "stays locked: it was not moved"
SENT = "was sent out; read it again when it is back"
HAS_LOCK, MAY_LOCK, NO_LOCK = ({**SCREW, "has_lock": one} for one in (True, None, False))
MOUNT, FIXED = {"kind": "shimmed mount", "stock_um": [10, 20, 50, 100]}, {"kind": "fixed"}
CONSENT, FOUND = {"consent": "the owner, by phone"}, {"found": "a blind plug"}
Written = tuple[str, Mapping[str, str]]
WRITTEN: dict[str, Written] = {
    "consent": ("the owner, by phone", {}),
    "place": ("slot at the top", {}),
    "shims measured": ("200 + 50", {}),
    "move": ("done", {}),
}
"""What is answered where the case has nothing else."""


class Offered(HTMLParser):
    """The forms of the part that asks for an answer: their address, their fields, and what can be chosen."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.action, self.fields = "", dict[str, str]()
        self.choices, self.written = set[str](), set[str]()
        self._form = ""
        self._is_now = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self._is_now |= found.get("id") == "now"
        if tag == "form":
            self._form = found["action"]
        if not self._is_now or not self._form.endswith("/answers"):
            return
        self.action = self._form
        name, value = found.get("name", ""), found.get("value", "")
        if found.get("type") == "radio" or (tag == "button" and name == "answer"):
            self.choices.add(value)
        elif found.get("type") == "hidden":
            self.fields[name] = value
        elif tag == "input":
            self.written.add(name)

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = ""


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record", short_um=-20.0) as opened:
        yield opened


def begun(door: Door, mechanism: Mapping[str, Any] | None) -> str:
    """Begin the adjustment of the body, or of a lens where no mechanism is given; gives its page."""
    ids, prep_id = door.ids, door.ids["prep"]
    if mechanism is None:
        return _begun(door, prep_id, f"lens:{ids['H50']}")
    door.put(f"/bodies/{ids['A-01']}", 200, name="A-01", mount="PL", mechanism=mechanism, who=WHO)
    return _begun(door, prep_id, f"body:{ids['A-01']}")


def _begun(door: Door, prep_id: str, unit: str) -> str:
    return str(sent(door, f"/preps/{prep_id}/adjust", unit=unit, reason="to be sure").headers["location"])


def walked(door: Door, at: str, answers: Mapping[str, Written]) -> list[str]:
    """Answer each step by what its page offers, finish, and return the steps."""
    steps = []
    while 'id="now"' in (html := door.client.get(at).text):
        offered = Offered(html)
        step = offered.fields["step"]
        answer, more = {**WRITTEN, **answers}.get(step, ("done", {}))
        given = offered.choices | ({offered.fields["answer"]} if "answer" in offered.fields else set())
        assert answer in given or "answer" in offered.written, (step, answer, given)
        assert set(more) <= offered.written, (step, more, offered.written)
        sent(door, offered.action, **{**offered.fields, "answer": answer, **more})
        steps.append(step)
    sent(door, f"{at}/finish")
    return steps


@pytest.mark.parametrize(
    ("mechanism", "answers", "end"),
    [
        (HAS_LOCK, {"lock": ("was free", {}), "lock after": ("set", {})}, MOVED),
        (HAS_LOCK, {"lock": ("released", CONSENT), "lock after": ("set", {})}, MOVED),
        (HAS_LOCK, {"lock": ("released", CONSENT), "lock after": ("left free", {})}, MOVED),
        (HAS_LOCK, {"lock": ("stays locked", {})}, LOCKED),
        (HAS_LOCK, {"lock": ("no lock", FOUND)}, MOVED),
        (MAY_LOCK, {"lock": ("no lock", {})}, MOVED),
        (MAY_LOCK, {"lock": ("released", CONSENT), "lock after": ("set", {})}, MOVED),
        (MAY_LOCK, {"lock": ("stays locked", {})}, LOCKED),
        (NO_LOCK, {"lock": ("no lock", {})}, MOVED),
        (NO_LOCK, {"lock": ("released", CONSENT), "lock after": ("set", {})}, MOVED),
        (NO_LOCK, {"lock": ("was free", {}), "lock after": ("left free", {})}, MOVED),
        (NO_LOCK, {"lock": ("stays locked", {})}, LOCKED),
        (MOUNT, {}, MOVED),
        (MOUNT, {"shims measured": ("none", {}), "move": ("in 20", {})}, MOVED),
        (FIXED, {"move": ("sent out", {})}, SENT),
        (None, {"move": ("in 20 out 10", {})}, MOVED),
        (None, {"move": ("sent out", {})}, SENT),
    ],
)
def test_every_branch_comes_to_its_end_by_what_its_page_offers(
    door: Door, mechanism: Mapping[str, Any] | None, answers: Mapping[str, Written], end: str
) -> None:
    at = begun(door, mechanism)
    steps = walked(door, at, answers)
    assert set(answers) <= set(steps)
    assert ("lock after" in steps) == ("lock after" in answers)
    page = see(door, at)
    assert end in page.sentence
    assert all(words in page.text for _, more in answers.values() for words in more.values())


def test_what_was_read_of_a_body_that_stays_locked_counts_as_before(door: Door) -> None:
    at = begun(door, HAS_LOCK)
    sent(door, f"{at}/answers", step="clean", answer="done")
    sent(door, f"{at}/answers", step="lock", answer="stays locked")
    sent(door, f"{at}/answers", step="flag", answer="done")
    page = see(door, at)
    assert "finish the adjustment" in page.sentence
    assert "nothing was moved: what was read of it counts as before" in page.text
    assert "no longer speaks" not in page.text


def test_a_lock_is_not_released_without_a_name_and_one_on_the_record_is_not_overlooked(door: Door) -> None:
    at = begun(door, HAS_LOCK)
    sent(door, f"{at}/answers", step="clean", answer="done")
    page = see(door, at).text
    assert "Who gave consent to release it" in page
    assert "The record says that A-01 has a lock. What did you find in its place?" in page
    unasked = sent(door, f"{at}/answers", 409, step="lock", answer="released").text
    assert 'id="consent-wrong"' in unasked
    assert "only with the owner&#39;s consent" in unasked
    overlooked = sent(door, f"{at}/answers", 409, step="lock", answer="no lock").text
    assert 'id="found-wrong"' in overlooked
    assert "Look again before anything is turned" in overlooked
    assert "0 of" not in see(door, at).text
    # In a line of words, as in a terminal, both follow the answer.
    sent(door, f"{at}/answers", step="lock", answer="released: the owner, by phone")
    assert "the owner, by phone" in see(door, at).text
    sent(door, f"{at}/take-back", step="consent", reason="it was another body")
    sent(door, f"{at}/answers", step="consent", answer="the owner in person")
    sent(door, f"{at}/answers", step="lock", answer="no lock: a blind plug")
    assert "a blind plug" in see(door, at).text
