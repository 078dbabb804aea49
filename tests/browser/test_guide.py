"""The guide in a browser: what is asked with an answer opens under it."""

from browser_bench import Devices, at_the_lock
from looks import look
from playwright.sync_api import expect


def test_who_consented_is_asked_under_the_answer_and_taken_with_it(devices: Devices) -> None:
    page = devices.open(360, 740, is_touch=True, person="Reader", has_worker=False)
    at = at_the_lock(devices)
    page.goto(at)
    consent, found = (
        page.get_by_label("Who gave consent to release it"),
        page.get_by_label("has a lock. What did"),
    )
    expect(consent).to_be_hidden()
    expect(found).to_be_hidden()
    page.get_by_label("There is no lock").tap()
    expect(found).to_be_visible()
    page.get_by_role("button", name="Save the answer").tap()
    expect(page.locator("#found-wrong")).to_contain_text("Look again before anything is turned")
    page.get_by_label("It was released").tap()
    expect(found).to_be_hidden()
    assert look(page) == []
    consent.fill("the owner, by phone")
    page.get_by_role("button", name="Save the answer").tap()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Mark")
    expect(page.locator("#guide")).to_contain_text("the owner, by phone")
    page.get_by_label("Where the screw stands now").fill("slot at the top")
    page.get_by_role("button", name="Save and go on").tap()
    expect(page.get_by_role("button", name="Moved as told")).to_be_visible()
    devices.add_reading(at.split("/")[2])  # other devices go on
    page.get_by_text("Give the adjustment up").tap()
    page.get_by_label("Why it is given up").fill("a test")
    page.get_by_role("button", name="Give it up").tap()
    expect(page.get_by_role("heading", level=1)).to_contain_text("given up")
