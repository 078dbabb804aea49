"""The guide in a browser: what is asked with an answer opens under it."""

import httpx
from browser_bench import Devices
from playwright.sync_api import expect


def _at_the_lock(devices: Devices) -> str:
    """Begin an adjustment of a body that has a lock by the record; gives the page of its step."""
    prep_id = devices.new_prep(count=1)
    with httpx.Client(base_url=f"{devices.address}/api/v1", timeout=20) as client:
        body_id = client.get(f"/preps/{prep_id}").json()["bodies"][0]["id"]
        bodies = client.get("/bodies").json()["bodies"]
        facts = next(one["facts"] for one in bodies if one["id"] == body_id)
        screw = {"kind": "screw", "has_lock": True}
        changed = {**facts, "mechanism": {**(facts["mechanism"] or {}), **screw}, "who": "test"}
        client.put(f"/bodies/{body_id}", json=changed).raise_for_status()
        new = {"unit_kind": "body", "unit_id": body_id, "reason": "to be sure", "who": "test"}
        begun = client.post(f"/preps/{prep_id}/adjustments", json=new).raise_for_status().json()
        answer = {"step": "clean", "answer": "done", "who": "test"}
        client.post(f"/preps/{prep_id}/adjustments/{begun['id']}/answers", json=answer).raise_for_status()
    return f"/preps/{prep_id}/adjust/{begun['id']}"


def test_who_consented_is_asked_under_the_answer_and_taken_with_it(devices: Devices) -> None:
    page = devices.open(360, 740, is_touch=True, person="Reader")
    at = _at_the_lock(devices)
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
