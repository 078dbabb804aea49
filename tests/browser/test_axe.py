"""Every page in both themes, looked at by axe-core: no serious violation of WCAG 2.1 A and AA."""

import json
import shutil
from pathlib import Path
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from browser_bench import PASSPHRASE, Devices, Server
from playwright.sync_api import Browser, Page, expect

from shimwise.bench.sign.signing import change_leads
from signed_years import WHO, Years

SERIOUS = ("serious", "critical")
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}}
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
RULES_BY_THEME = {"dark": RULES, "light": COLOURS}
"""A theme changes colours and nothing else, so that all rules are looked at in one of them."""
PAGES = (
    "/",
    "/bodies",
    "/lenses",
    "/sets",
    "/charts",
    "/optics",
    "/plan",
    "/settings",
    "/settings/wear",
    "/house-list",
    "/label",
    "/repeatability",
    "/verify",
)


def _paths(devices: Devices) -> list[str]:
    """Give every page: the fixed ones, and one of each kind of thing."""
    with httpx.Client(base_url=devices.server.address, timeout=10) as client:
        found = list(PAGES)
        for kind in ("bodies", "lenses", "sets"):
            first = client.get(f"/api/v1/{kind}").json()[kind][0]["id"]
            found += [f"/{kind}/{first}", f"/{kind}/new", f"/{kind}/{first}/edit"]
        found += [f"/preps/{one['id']}" for one in client.get("/api/v1/preps").json()["preps"]]
        return [path for path in found if client.get(path).status_code == 200]


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_no_page_holds_a_serious_violation(devices: Devices, theme: str) -> None:
    page = devices.open(768, 1024, is_touch=False, theme=theme, person="Reader")
    wrong, seen = [], 0
    for path in _paths(devices):
        page.goto(path, wait_until="load")
        if path.startswith("/preps/"):
            page.wait_for_selector("#rail figure, #rail .picture-waits:not([role=status])")
        seen += 1
        wrong += _violations(page, RULES_BY_THEME[theme])
    assert seen >= len(PAGES)
    assert wrong == []


def test_a_body_that_drifts_and_what_a_lead_sees_hold_none(browser: Browser, tmp_path: Path) -> None:
    years = Years.begun(tmp_path / "record")
    years.sign_monthly([0, 1, -1, 3, 6, 9])
    change_leads(years.record, names=[WHO], who=WHO)
    years.record.close()
    server = Server(tmp_path / "record")
    devices, wrong = Devices(browser, server), []
    try:
        server.start()
        for theme, rules in RULES_BY_THEME.items():
            page = devices.open(360, 740, is_touch=False, theme=theme, person=WHO)
            page.goto(f"/bodies/{years.body_id}")
            expect(page.get_by_role("img", name="Moving average and sums")).to_be_visible(timeout=30_000)
            page.get_by_text("The drift as a table").click()
            expect(page.get_by_role("region", name="Sign-offs and drift")).to_be_visible()
            wrong += _violations(page, rules)
            page.goto("/repeatability")
            expect(page.get_by_role("heading", name="Everybody")).to_be_visible()
            wrong += _violations(page, rules)
    finally:
        devices.close()
        server.stop()
    assert wrong == []


def _signed(client: httpx.Client) -> str:
    """Sign the prep that is done; gives its id."""
    preps = client.get("/api/v1/preps").json()["preps"]
    prep_id = str(next(one["id"] for one in preps if one["state"] == "done"))
    found = client.get(f"/api/v1/preps/{prep_id}/undecided").json()["undecided"]
    exceptions = [{"unit_id": one["unit_id"], "reason": "a spare only"} for one in found]
    body = {"who": "Reader", "exceptions": exceptions}
    client.post(f"/api/v1/preps/{prep_id}/sign-offs", json=body).raise_for_status()
    return prep_id


def _begun(client: httpx.Client) -> tuple[str, str]:
    """Begin an adjustment in the prep that is open; gives the prep's id and the adjustment's page."""
    preps = client.get("/api/v1/preps").json()["preps"]
    prep_id = str(next(one["id"] for one in preps if one["state"] == "open"))
    body_id = client.get(f"/api/v1/preps/{prep_id}").json()["bodies"][0]["id"]
    new = {"unit_kind": "body", "unit_id": body_id, "reason": "to be sure", "who": "Reader"}
    begun = client.post(f"/api/v1/preps/{prep_id}/adjustments", json=new).raise_for_status().json()
    return prep_id, f"/preps/{prep_id}/adjust/{begun['id']}"


def test_adjusting_signing_papers_and_the_check_of_a_sheet_hold_none(
    browser: Browser, demo: Path, tmp_path: Path
) -> None:
    server = Server(Path(shutil.copytree(demo, tmp_path / "record")))
    devices, wrong = Devices(browser, server), []
    try:
        server.start()
        with httpx.Client(base_url=server.address, timeout=60) as client:
            signed, (open_id, guide) = _signed(client), _begun(client)
            document = client.get(f"/api/v1/preps/{signed}/export").json()
        document["readings"][0]["operator"] = "Somebody Else"
        altered = tmp_path / "prep.json"
        altered.write_text(json.dumps(document), encoding="utf-8")
        paths = [f"/preps/{one}{end}" for one in (signed, open_id) for end in ("/adjust", "/sign", "/papers")]
        for theme, rules in RULES_BY_THEME.items():
            page = devices.open(768, 1024, is_touch=False, theme=theme, person="Reader")
            for path in (*paths, guide):
                page.goto(path, wait_until="load")
                wrong += _violations(page, rules)
            page.goto(f"/preps/{signed}", wait_until="load")
            page.wait_for_selector("#rail figure")
            expect(page.locator("#read")).to_contain_text("Signed off")
            wrong += _violations(page, rules)
            page.goto("/verify")
            page.get_by_label("The sheet").set_input_files(altered)
            page.get_by_role("button", name="Check it").click()
            expect(page.get_by_role("heading", level=1)).to_contain_text("is not what was signed")
            wrong += _violations(page, rules)
    finally:
        devices.close()
        server.stop()
    assert wrong == []


def test_the_door_beyond_this_machine_holds_none_and_pairs_a_device(
    browser: Browser, demo: Path, tmp_path: Path
) -> None:
    server = Server(Path(shutil.copytree(demo, tmp_path / "record")), "--host", "0.0.0.0")
    devices = Devices(browser, server)
    try:
        server.start()
        page = devices.open(360, 740, is_touch=True, person="Reader")
        page.goto("/bodies")
        expect(page).to_have_title("Pair this device · Shimwise")
        wrong = _violations(page)
        page.get_by_label("Passphrase of the house").fill("not this one")
        page.get_by_label("What this device is called").fill("bay 2 phone")
        page.get_by_role("button", name="Pair this device").tap()
        expect(page.get_by_role("alert")).to_contain_text("not the house's passphrase")
        expect(page.get_by_label("What this device is called")).to_have_value("bay 2 phone")
        wrong += _violations(page)
        page.get_by_label("Passphrase of the house").fill(PASSPHRASE)
        page.get_by_role("button", name="Pair this device").tap()
        page.wait_for_url(f"{server.address}/bodies")
        page.goto("/settings")
        page.get_by_role("link", name="Paired devices").tap()
        expect(page.locator("main")).to_contain_text("bay 2 phone (this one)")
        wrong += _violations(page)
        page.get_by_label("Passphrase of the house").first.fill(PASSPHRASE)
        page.get_by_role("button", name="Show a code").tap()
        expect(page.locator("svg")).to_be_visible()
        wrong += _violations(page)
        other = devices.open(768, 1024, is_touch=True)
        other.goto(page.locator("p.quiet").inner_text())
        other.get_by_role("button", name="Pair this device").tap()
        other.wait_for_url(f"{server.address}/")
        page.goto("/devices")
        page.get_by_role("button", name="Un-pair device 1").tap()
        expect(page.get_by_role("button", name="Un-pair device 1")).to_have_count(0)
        other.goto("/")
        expect(other).to_have_title("Pair this device · Shimwise")
    finally:
        devices.close()
        server.stop()
    assert wrong == []


def _violations(page: Page, rules: dict[str, Any] = RULES) -> list[str]:
    return [
        f"{page.url}: {found['id']} ({found['impact']}) {found['help']}: {found['nodes'][0]['html'][:160]}"
        for found in Axe().run(page, options=rules).response["violations"]
        if found["impact"] in SERIOUS
    ]
