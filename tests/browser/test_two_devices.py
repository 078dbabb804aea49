"""Two devices on one prep: what one enters the other sees, without being asked."""

from browser_bench import Devices, unfolded
from playwright.sync_api import expect


def test_a_reading_entered_on_one_device_is_seen_on_the_other(devices: Devices) -> None:
    prep_id = devices.new_prep(count=2)
    tablet = devices.open(768, 1024, is_touch=True, person="One")
    phone = devices.open(360, 740, is_touch=True, person="Two")
    for page in (tablet, phone):
        page.goto(f"/preps/{prep_id}")
        expect(page.locator("[data-prep-id][data-live=on]")).to_be_attached()
        expect(page.locator("[data-reading-id]")).to_have_count(2)
    tablet.locator("[data-nudge=deep]").tap()
    tablet.get_by_role("button", name="Save reading").tap()
    expect(tablet.locator("#answer .saved")).to_be_visible()
    expect(phone.locator("[data-reading-id]")).to_have_count(3)
    expect(phone.locator("#readings")).to_contain_text("One")

    kept = devices.server.readings(prep_id)
    row = phone.locator(f'[data-reading-id="{kept[-1]["id"]}"]')
    unfolded(phone, "Readings")
    row.get_by_role("link", name="Withdraw").tap()
    row.locator("[name=reason]").fill("wrong lens")
    row.get_by_role("button", name="Withdraw reading 3").tap()
    expect(tablet.locator("#readings")).to_contain_text("wrong lens")


def test_a_reason_that_is_being_typed_is_not_taken_away_by_the_other_device(devices: Devices) -> None:
    prep_id = devices.new_prep(count=2)
    page = devices.open(768, 1024, is_touch=True, person="One")
    page.goto(f"/preps/{prep_id}")
    expect(page.locator("[data-prep-id][data-live=on]")).to_be_attached()
    kept = devices.server.readings(prep_id)
    row = page.locator(f'[data-reading-id="{kept[0]["id"]}"]')
    row.get_by_role("link", name="Withdraw").tap()
    row.locator("[name=reason]").fill("half a rea")
    revision = int(page.locator("[data-prep-id][data-live]").get_attribute("data-revision") or "0")
    devices.add_reading(prep_id)
    heard = page.locator(f'[data-prep-id][data-live]:not([data-revision="{revision}"])')
    expect(heard).to_be_attached()  # the page has heard of it, and has asked for what is not typed in
    expect(row.locator("[name=reason]")).to_have_value("half a rea")
    row.get_by_role("link", name="Leave it in").tap()
    expect(page.locator("[data-reading-id]")).to_have_count(3)
