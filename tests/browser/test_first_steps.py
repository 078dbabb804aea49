"""From an empty house to the first reading, tap by tap."""

from pathlib import Path

from browser_bench import Devices, Server
from playwright.sync_api import Browser, Locator, expect

from record_template import empty_record

MOST_TAPS = 12


class Hand:
    """Taps and types; a field is tapped before it is typed into."""

    def __init__(self) -> None:
        self.taps = 0

    def tap(self, part: Locator) -> None:
        part.tap()
        self.taps += 1

    def type(self, field: Locator, text: str) -> None:
        self.tap(field)
        field.fill(text)


def test_from_an_empty_house_to_the_first_reading_takes_at_most_twelve_taps(
    browser: Browser, tmp_path: Path
) -> None:
    empty_record(tmp_path / "record")
    with Server(tmp_path / "record") as server:
        devices, hand = Devices(browser, server), Hand()
        page = devices.open(360, 740, is_touch=True)
        page.goto("/")
        hand.tap(page.get_by_role("link", name="Add a body", exact=True).last)
        hand.type(page.locator("#name"), "A-07")
        hand.type(page.locator("#mount"), "PL")
        hand.type(page.get_by_label("Your name"), "Reader")
        hand.tap(page.get_by_role("button", name="Add it, then a lens"))
        hand.type(page.locator("#name"), "H50")
        hand.type(page.locator("#focal_lengths_mm"), "50")
        hand.tap(page.get_by_role("button", name="Add it and start a prep"))
        page.wait_for_url("**/preps/*")
        hand.tap(page.locator('[data-distance-key="3\'"]'))
        hand.tap(page.locator("[data-on]"))
        hand.tap(page.get_by_role("button", name="Save reading"))
        expect(page.locator("#answer .saved")).to_contain_text("H50 at 3'")
        assert hand.taps <= MOST_TAPS
        devices.close()
