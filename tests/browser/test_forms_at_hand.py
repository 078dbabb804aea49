"""Forms as a hand meets them on a phone and a tablet: what is typed, and what is wrong, stays in sight."""

import pytest
from browser_bench import Devices
from playwright.sync_api import Locator, Page, expect

PHONE, TABLET, LAPTOP = (360, 740), (768, 1024), (1280, 800)


def _box(part: Locator) -> dict[str, float]:
    box = part.bounding_box()
    assert box is not None
    return dict(box)


def _is_seen(page: Page, part: Locator) -> bool:
    """Tell whether all of it is within the window, and nothing lies over its middle."""
    seen: bool = part.evaluate(
        """part => {
          const box = part.getBoundingClientRect();
          const over = document.elementFromPoint((box.left + box.right) / 2, (box.top + box.bottom) / 2);
          return box.top >= 0 && box.bottom <= innerHeight && (part.contains(over) || over.contains(part));
        }"""
    )
    return seen


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


@pytest.mark.parametrize("size", [PHONE, TABLET, LAPTOP], ids=["phone", "tablet", "laptop"])
def test_the_whole_pad_and_save_are_in_sight_at_once(devices: Devices, size: tuple[int, int]) -> None:
    page = devices.open(*size, is_touch=size is not LAPTOP, person="Reader")
    page.goto(f"/preps/{devices.new_prep()}")
    if size is PHONE:
        page.get_by_role("link", name="Enter a reading").tap()
    for mode in ("ft", "m"):
        keys = page.locator(f".pad[data-mode={mode}] button, .nudge button, .save, #reading_text").all()
        assert len(keys) > 20
        hidden = [key.inner_text() for key in keys if not _is_seen(page, key)]
        assert hidden == []
        page.locator("[data-metric]").evaluate("key => key.click()")
    page.locator(".pad[data-mode=m] [data-step]").click()
    step = page.locator(".pad[data-mode=m] [data-step]")
    words = step.evaluate(
        "key => { const all = document.createRange(); all.selectNodeContents(key); "
        "return new Set([...all.getClientRects()].map(box => Math.round(box.bottom))).size; }"
    )
    assert words == 1, "“step 2 mm” stands on one line"
