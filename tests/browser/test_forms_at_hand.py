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


def test_a_new_device_is_asked_for_the_name_at_the_field_in_sight(devices: Devices) -> None:
    page = devices.open(*PHONE, is_touch=True)
    prep_id = devices.new_prep()
    page.goto(f"/preps/{prep_id}")
    page.get_by_role("link", name="Enter a reading").tap()
    page.locator("[data-on]").tap()
    page.get_by_role("button", name="Save reading").tap()
    name = page.get_by_label("Your name").first
    told = page.get_by_text("Type your name once; this device keeps it.")
    expect(name).to_be_focused()
    assert _is_seen(page, name)
    assert _is_seen(page, told)
    assert devices.server.readings(prep_id) == []
    name.fill("Reader")
    expect(told).to_have_count(0)
    page.get_by_role("button", name="Save reading").tap()
    expect(page.locator("#answer .saved")).to_be_visible()
    assert [one["operator"] for one in devices.server.readings(prep_id)] == ["Reader"]
    assert _is_seen(page, page.locator("#answer .saved"))


@pytest.mark.parametrize("top_px", [160, 5, -70], ids=["in the middle", "at the top", "above the top"])
def test_after_save_the_pad_stays_where_it_was_and_the_answer_is_seen(devices: Devices, top_px: int) -> None:
    page = devices.open(*PHONE, is_touch=True, person="Reader")
    page.goto(f"/preps/{devices.new_prep(count=6)}")
    page.wait_for_selector("#rail figure svg", timeout=20_000)
    page.locator("#reading_text").fill("on")
    expect(page.locator("#answer")).to_contain_text("on the mark")
    pad = page.locator("#reading_text")
    pad.evaluate("(pad, top) => scrollBy(0, pad.getBoundingClientRect().top - top)", top_px)
    page.locator(".save").evaluate("save => save.click()")
    expect(page.locator("#answer .saved")).to_be_visible()
    expect(page.locator("[data-reading-id]")).to_have_count(7)
    for _ in range(10):  # picture and verdict come anew above the pad meanwhile
        page.wait_for_timeout(200)
        assert _is_seen(page, page.locator("#answer .saved"))
        if top_px > 0:
            assert _box(pad)["y"] == pytest.approx(top_px, abs=3)
    expect(pad).to_be_focused()


def test_what_is_wrong_with_the_distance_is_said_at_the_distance(devices: Devices) -> None:
    page = devices.open(*PHONE, is_touch=True, person="Reader")
    page.goto(f"/preps/{devices.new_prep(taped=())}")
    page.locator("#reading_text").fill("3'")
    expect(page.locator("#answer")).to_have_text("Its landing shows when the taped distance is typed.")
    expect(page.locator("#distance_text-wrong")).to_contain_text("Nothing is typed yet")
    expect(page.locator("#distance_text")).to_have_attribute("aria-invalid", "true")
    page.locator("#distance_text").fill("3' 14\"")
    expect(page.locator("#distance_text-wrong")).to_contain_text("carry it over")
    page.locator("#distance_text").fill("3'")
    expect(page.locator("#answer")).to_contain_text("on the mark")
    expect(page.locator("#distance_text-wrong")).to_have_count(0)
    expect(page.locator("#distance_text")).not_to_have_attribute("aria-invalid", "true")
