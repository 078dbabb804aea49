"""Every page in both themes and at 200 % zoom holds no serious violation of WCAG 2.1 A and AA."""

import json
from pathlib import Path

import httpx
from browser_bench import PASSPHRASE, Devices, Server, kept_by_worker
from gate import Gate
from looks import look
from playwright.sync_api import Browser, Page, expect

from shimwise.bench.sign.signing import change_leads
from signed_years import WHO, Years

TABBED = """() => {
  const one = document.activeElement, box = one.getBoundingClientRect(), style = getComputedStyle(one);
  const shown = one.type === "radio" ? getComputedStyle(one.nextElementSibling) : style;
  const name = one.name || one.textContent.trim().slice(0, 40) || one.tagName;
  if (one === document.body) return ["", ""];
  const isSeen = box.bottom > 0 && box.top < innerHeight && box.right > 0;
  const where = `${Math.round(box.top)} to ${Math.round(box.bottom)} of ${innerHeight} px`;
  const fault = `${name} has no ring (${shown.outlineStyle}), or is out of sight (${where})`;
  return [name, isSeen && shown.outlineStyle !== "none" ? "" : fault];
}"""
FAULTS = """() => {
  const [button, words] = ["button", "p"].map((name) => document.createElement(name));
  words.textContent = "hardly to be read in either theme";
  words.style.cssText = "color: #999; background: #aaa";
  document.querySelector("main").append(button, words);
}"""
"""Put on a page what has to be found there: the look itself is tested."""
PAGES = (
    *("/", "/bodies", "/lenses", "/sets", "/charts", "/optics", "/plan", "/settings", "/settings/wear"),
    *("/house-list", "/label", "/repeatability", "/verify", "/people", "/sign-in", "/nowhere"),
)


def _paths(devices: Devices) -> list[str]:
    """Give every page: the fixed ones, and one of each kind of thing."""
    with httpx.Client(base_url=devices.server.address, timeout=10) as client:
        found = list(PAGES)
        for kind in ("bodies", "lenses", "sets"):
            first = client.get(f"/api/v1/{kind}").json()[kind][0]["id"]
            found += [f"/{kind}/{first}", f"/{kind}/{first}/change"]  # a new one has the form of a change
        return found + [f"/preps/{one['id']}" for one in client.get("/api/v1/preps").json()["preps"][:2]]


def test_no_page_of_the_house_holds_a_serious_violation(devices: Devices) -> None:
    page = devices.open(768, 1024, is_touch=False, person="Reader", has_worker=False)
    wrong = []
    for path in _paths(devices):
        shown = page.goto(path, wait_until="load")
        assert shown is not None
        assert shown.ok is (path != "/nowhere"), path
        if path.startswith("/preps/"):
            page.wait_for_selector("#rail figure, #rail .picture-waits:not([role=status])")
        wrong += look(page)
    assert wrong == []
    page.evaluate(FAULTS)
    assert [one.split(": ")[1] for one in look(page)] == ["button-name", *["color-contrast"] * 2]


def _tabbed_to(page: Page, name: str) -> None:
    """Press Tab until a control of this name has the focus; each on the way is seen, with its ring."""
    for _ in range(60):
        page.keyboard.press("Tab")
        found, fault = page.evaluate(TABBED)
        assert not fault, fault
        if found == name:
            return
    raise AssertionError(f"{name} is not reached by Tab")


def test_adjusting_signing_papers_and_the_check_of_a_sheet_hold_none_and_need_no_mouse(
    devices: Devices, tmp_path: Path
) -> None:
    prep_id = devices.new_prep(count=2, body_id=devices.new_body())
    page = devices.open(1280, 800, is_touch=False, person="Reader", has_worker=False)
    page.goto(f"/preps/{prep_id}/adjust")
    wrong = look(page)
    _tabbed_to(page, "unit")
    page.keyboard.press("Space")
    _tabbed_to(page, "reason")
    page.keyboard.type("to be sure")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Who gave consent")).to_be_visible()
    wrong += look(page)
    _tabbed_to(page, "answer")
    page.keyboard.type("the owner, by phone")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="It is done, go on")).to_be_visible()
    page.keyboard.press("Tab")
    expect(page.locator("#now :focus")).to_have_count(1)  # in the step that has come
    _tabbed_to(page, "Give the adjustment up")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type("a test")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("given up")
    wrong += look(page)

    page.goto(f"/preps/{prep_id}/sign")
    wrong += look(page)
    _tabbed_to(page, "reason")
    page.keyboard.type("a spare only")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("was signed by Reader")
    for end in ("/sign", "/papers", "/adjust", ""):
        page.goto(f"/preps/{prep_id}{end}", wait_until="load")
        wrong += look(page)

    document = httpx.get(f"{devices.address}/api/v1/preps/{prep_id}/export", timeout=20).json()
    document["readings"][0]["operator"] = "Somebody Else"
    altered = tmp_path / "prep.json"
    altered.write_text(json.dumps(document), encoding="utf-8")
    page.goto("/verify")
    page.get_by_label("The sheet").set_input_files(altered)
    page.get_by_role("button", name="Check it").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("is not what was signed")
    assert wrong + look(page) == []


def test_what_a_browser_shows_by_itself_while_the_server_is_away_holds_none(
    browser: Browser, server: Server
) -> None:
    with Gate(server.port) as gate:
        devices = Devices(browser, server)
        devices.address = gate.address
        prep_id = devices.new_prep(count=1)
        page = devices.open(360, 740, is_touch=False, person="Reader")
        page.goto(f"/preps/{prep_id}")
        kept_by_worker(page, prep_id)
        gate.shut()
        page.reload()
        expect(page.locator("[data-old]")).to_contain_text("does not answer")
        wrong = look(page)
        page.goto("/bodies")
        expect(page.get_by_role("link", name="Try again")).to_be_visible()
        wrong += look(page)
        gate.open()
        devices.close()
    assert wrong == []


def test_the_door_beyond_this_machine_holds_none_and_pairs_a_device_that_sees_drift_and_operators(
    browser: Browser, tmp_path: Path
) -> None:
    years = Years.begun(tmp_path / "record")
    years.sign_monthly([0, 1, -1, 3, 6, 9])
    change_leads(years.record, names=[WHO], who=WHO)
    years.record.close()
    with Server(tmp_path / "record", host="0.0.0.0") as server:
        devices = Devices(browser, server)
        page = devices.open(360, 740, is_touch=True, person=WHO)
        page.goto("/bodies")
        expect(page).to_have_title("Pair this device · Shimwise")
        wrong = look(page)
        page.get_by_label("Passphrase of the house").fill("not this one")
        page.get_by_label("What this device is called").fill("bay 2 phone")
        page.get_by_role("button", name="Pair this device").tap()
        expect(page.get_by_role("alert")).to_contain_text("not the house's passphrase")
        expect(page.get_by_label("What this device is called")).to_have_value("bay 2 phone")
        wrong += look(page)
        page.get_by_label("Passphrase of the house").fill(PASSPHRASE)
        page.get_by_role("button", name="Pair this device").tap()
        page.wait_for_url(f"{server.address}/bodies")
        page.goto("/settings")
        page.get_by_role("link", name="Paired devices").tap()
        expect(page.locator("main")).to_contain_text("bay 2 phone (this one)")
        wrong += look(page)
        page.get_by_label("Passphrase of the house").first.fill(PASSPHRASE)
        page.get_by_role("button", name="Show a code").tap()
        expect(page.locator("svg")).to_be_visible()
        wrong += look(page)
        other = devices.open(768, 1024, is_touch=True)
        other.goto(page.locator("p.quiet").inner_text())
        other.get_by_role("button", name="Pair this device").tap()
        other.wait_for_url(f"{server.address}/")
        page.goto("/devices")
        page.get_by_role("button", name="Un-pair device 1").tap()
        expect(page.get_by_role("button", name="Un-pair device 1")).to_have_count(0)
        other.goto("/")
        expect(other).to_have_title("Pair this device · Shimwise")
        page.goto(f"/bodies/{years.body_id}")
        expect(page.get_by_role("img", name="Moving average and sums")).to_be_visible()
        page.get_by_text("The drift as a table").click()
        expect(page.get_by_role("region", name="Sign-offs and drift")).to_be_visible()
        wrong += look(page)
        page.goto("/repeatability")
        expect(page.get_by_role("heading", name="Everybody")).to_be_visible()
        wrong += look(page)
        devices.close()
    assert wrong == []
