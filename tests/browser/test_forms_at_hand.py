"""Forms as a hand meets them on a phone and a tablet: what is typed, and what is wrong, stays in sight."""

from browser_bench import Devices
from playwright.sync_api import Locator, expect

TABLET = (768, 1024)


def _box(part: Locator) -> dict[str, float]:
    box = part.bounding_box()
    assert box is not None
    return dict(box)


def test_fields_side_by_side_stay_in_line_where_one_of_them_is_refused(devices: Devices) -> None:
    page = devices.open(*TABLET, is_touch=True, person="Reader")
    page.goto("/")
    page.get_by_text("Name, temperature and note").tap()
    page.locator("#temperature_c").fill("warm")
    page.get_by_role("button", name="Start the prep").tap()
    expect(page.locator("#temperature_c-wrong")).to_contain_text("is no number")
    assert _box(page.locator("#title"))["y"] == _box(page.locator("#temperature_c"))["y"]
    words = _box(page.get_by_text("Single lenses, beside the set or without one"))
    lowest = max(
        _box(chip)["y"] + _box(chip)["height"] for chip in page.locator(".start .chip:visible").all()
    )
    assert words["y"] - lowest >= 6
