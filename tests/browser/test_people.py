"""A device handed from one person to the next: a few taps, the keyboard alone, and no violation of WCAG."""

from pathlib import Path

from browser_bench import Devices, Server, filled
from looks import look
from playwright.sync_api import Browser, Page, expect

from shimwise.bench.access import accounts
from shimwise.bench.access.roles import Role
from shimwise.record.record import Record

PINS = {"Ada Bay": "4071", "Bo Truck": "5082"}  # invented


def _sign_in(page: Page, name: str) -> None:
    """Hand the device to a person: two taps, the digits, and Enter."""
    page.locator(".who-here").tap()
    page.locator("label", has_text=name).tap()
    expect(page.get_by_label("PIN")).to_be_focused()
    page.keyboard.type(PINS[name])
    page.keyboard.press("Enter")
    expect(page.locator(".who-here")).to_contain_text(name)


def test_a_device_is_handed_on_in_a_few_taps_and_readings_bear_the_name_of_who_has_it(
    browser: Browser, tmp_path: Path
) -> None:
    data = filled(tmp_path)
    with Record.open(data) as record:
        console = accounts.console_actor("tester")
        for (name, pin), role in zip(PINS.items(), (Role.KEEPER, Role.READER), strict=True):
            accounts.add_person(record, name=name, role=role, pin=pin, who=console)
    with Server(data) as server:
        devices = Devices(browser, server)
        page = devices.open(768, 1024, is_touch=True, has_worker=False)
        page.goto("/people")
        expect(page.locator(".who-here")).to_contain_text("Sign in")
        wrong = look(page)
        _sign_in(page, "Ada Bay")
        expect(page.get_by_role("heading", name="Add a person")).to_be_visible()
        wrong += look(page)
        _sign_in(page, "Bo Truck")
        expect(page).to_have_url(f"{server.address}/people")
        expect(page.get_by_role("heading", name="Add a person")).to_have_count(0)
        wrong += look(page)
        page.goto("/settings")
        expect(page.get_by_text("Bo Truck is a reader here. A keeper may change")).to_be_visible()
        expect(page.get_by_role("button", name="Save the settings")).to_have_count(0)
        wrong += look(page)

        page.set_viewport_size({"width": 360, "height": 740})
        page.goto("/sign-in?next=/bodies")
        wrong += look(page)
        page.get_by_label("Ada Bay").focus()  # and the rest by the keyboard
        page.keyboard.press("Space")
        page.keyboard.press("Tab")
        page.keyboard.type("0000")
        page.keyboard.press("Enter")
        expect(page.locator("#pin-wrong")).to_contain_text("not the PIN of that person")
        wrong += look(page)
        page.get_by_label("PIN").focus()
        page.keyboard.type(PINS["Ada Bay"])
        page.keyboard.press("Enter")
        page.wait_for_url(f"{server.address}/bodies")
        devices.close()
    assert wrong == []
