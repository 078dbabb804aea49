"""A whole prep, as it is done: on a tablet and a phone by touch, on a laptop by keyboard alone."""

import re

import pytest
from browser_bench import Devices, prep_of, unfolded
from playwright.sync_api import Locator, Page, Route, expect

TABLET, PHONE, LAPTOP = (768, 1024), (360, 740), (1440, 900)


def _chip(within: Locator, text: str) -> Locator:
    """Give the choice that begins with these words."""
    return within.locator("label.chip:visible").filter(has_text=re.compile(rf"^\s*{text}\b"))


def _start(page: Page, person: str) -> str:
    """Start a prep of body A-12 with set H from the first page, by touch."""
    page.goto("/")
    form = page.locator("form.start")
    _chip(form, "A-12").tap()
    _chip(form, r"H\s*8").tap()
    if form.locator("[name=who]:visible").count():
        form.locator("[name=who]").fill(person)
    form.get_by_role("button", name="Start the prep").tap()
    page.wait_for_url("**/preps/*")
    return prep_of(page)


def _saved(page: Page, lens: str) -> None:
    expect(page.locator("#answer .saved")).to_contain_text(lens)
    expect(page.locator("#answer .saved")).to_contain_text("µm")


@pytest.mark.parametrize("size", [TABLET, PHONE], ids=["tablet", "phone"])
def test_a_whole_prep_is_done_by_touch(devices: Devices, size: tuple[int, int]) -> None:
    page = devices.open(*size, is_touch=True, person="Reader")
    prep_id = _start(page, "Reader")
    read = page.locator("#read-form")

    # The first reading: a new distance, the mark itself, seen at once in microns.
    _chip(read, "H18").tap()
    page.locator('[data-distance-key="3\'"]').tap()
    page.locator("[data-on]").tap()
    expect(page.locator("#answer")).to_contain_text("µm")
    page.get_by_role("button", name="Save reading").tap()
    _saved(page, "H18")

    # Short by a quarter of an inch, by one tap.
    read = page.locator("#read-form")
    _chip(read, "H25").tap()
    page.locator("[data-nudge=short]").tap()
    expect(page.locator("#answer")).to_contain_text("short")
    page.get_by_role("button", name="Save reading").tap()
    _saved(page, "H25")

    # The full figure on the pad.
    read = page.locator("#read-form")
    _chip(read, "H50").tap()
    page.locator("[data-clear]:visible").tap()
    for key in ("[data-key='3']", '[data-key="\'"]'):
        page.locator(f".pad:not([hidden]) {key}").tap()
    page.locator(".pad:not([hidden]) [data-fraction='1/8']").tap()
    expect(page.locator("#reading_text")).to_have_value("3' 1/8\"")
    expect(page.locator("#answer")).to_contain_text("deep")
    page.get_by_role("button", name="Save reading").tap()
    _saved(page, "H50")

    # The picture and the verdict come by themselves; a phone folds the picture.
    unfolded(page, "The picture")
    expect(page.locator("#rail svg")).to_be_visible()
    expect(page.locator("#verdict h1")).not_to_contain_text("Nothing is read yet")
    kept = devices.server.readings(prep_id)
    assert [one["reading_text"] for one in kept] == ["3'", "2' 11 3/4\"", "3' 1/8\""]
    assert {one["operator"] for one in kept} == {"Reader"}

    # Withdrawn with a reason, and taken back in.
    unfolded(page, "Readings")
    first = page.locator(f'[data-reading-id="{kept[1]["id"]}"]')
    first.get_by_role("link", name="Withdraw").tap()
    first.locator("[name=reason]").fill("wrong mark")
    first.get_by_role("button", name="Withdraw reading 2").tap()
    expect(first).to_contain_text("wrong mark")
    assert devices.server.readings(prep_id)[1]["is_withdrawn"]
    first.get_by_role("button", name="Take it back in").tap()
    expect(first).not_to_contain_text("wrong mark")

    # No page is wider than the device.
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]

    unfolded(page, "Keep and pass on")
    page.get_by_role("button", name="Close the prep").tap()
    expect(page.locator("#read")).to_contain_text("done")


def _focused(page: Page) -> str:
    told: str = page.evaluate(
        "() => { const e = document.activeElement; return `${e.name || ''}|${e.value || ''}|"
        "${(e.innerText || '').trim()}|${(e.closest('label') || e).innerText.trim()}`; }"
    )
    return " ".join(told.split())


def _tab_to(page: Page, *wanted: str, most: int = 120) -> None:
    """Press Tab until the thing of which all this is told has the focus."""
    for _ in range(most):
        if all(words in _focused(page) for words in wanted):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{wanted} is not reached by Tab; the focus is at {_focused(page)!r}")


def test_a_whole_prep_is_done_by_keyboard_alone(devices: Devices) -> None:
    page = devices.open(*LAPTOP, is_touch=False, person="Typist")
    page.goto("/")
    _tab_to(page, "body_ids|", "A-12")
    page.keyboard.press("Space")
    _tab_to(page, "set_id|")
    for _ in range(4):
        if "8 lenses" in _focused(page):
            break
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Space")
    _tab_to(page, "Start the prep")
    page.keyboard.press("Enter")
    page.wait_for_url("**/preps/*")
    prep_id = prep_of(page)

    _tab_to(page, "distance_text|")
    page.keyboard.type("3'")
    _tab_to(page, "reading_text|")
    page.keyboard.type("2' 11 7/8\"")
    expect(page.locator("#answer")).to_contain_text("short")
    page.keyboard.press("Enter")
    expect(page.locator("#answer .saved")).to_be_visible()
    # The next one is typed at once: the focus is there already.
    expect(page.locator("#reading_text")).to_be_focused()
    page.keyboard.type("3' 1/16\"")
    page.keyboard.press("Enter")
    expect(page.locator("[data-reading-id]")).to_have_count(2)
    assert [one["reading_text"] for one in devices.server.readings(prep_id)] == ["2' 11 7/8\"", "3' 1/16\""]

    _tab_to(page, "Withdraw reading 2")
    page.keyboard.press("Enter")
    _tab_to(page, "reason|")
    page.keyboard.type("typed twice")
    page.keyboard.press("Enter")
    expect(page.locator("#readings")).to_contain_text("typed twice")


def test_bad_input_is_told_beside_the_field_and_what_was_typed_stays(devices: Devices) -> None:
    page = devices.open(*TABLET, is_touch=True, person="Reader")
    prep_id = devices.new_prep()
    page.goto(f"/preps/{prep_id}")
    page.locator("#reading_text").fill("2' 11 7/4\"")
    page.locator("#note").evaluate("field => { field.value = 'kept too'; }")
    page.get_by_role("button", name="Save reading").tap()
    expect(page.locator("#reading_text")).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#answer .wrong")).to_be_visible()
    expect(page.locator("#reading_text")).to_have_value("2' 11 7/4\"")
    expect(page.locator("#note")).to_have_value("kept too")
    assert devices.server.readings(prep_id) == []
    # Corrected in its place, it is taken.
    page.locator("#reading_text").fill("2' 11 3/4\"")
    page.get_by_role("button", name="Save reading").tap()
    _saved(page, "")
    assert [one["note"] for one in devices.server.readings(prep_id)] == ["kept too"]
    expect(page.locator("[data-waiting-count]")).to_have_text("")


def test_the_picture_follows_the_width_of_the_window(devices: Devices) -> None:
    page = devices.open(360, 740, is_touch=False, person="Reader")
    page.goto(f"/preps/{devices.new_prep(count=3)}")
    drawn = page.locator("#rail figure svg")
    page.locator(".fold-key").filter(has_text="The picture").click()
    expect(drawn).to_have_attribute("width", re.compile(r"^3\d\d$"))
    page.set_viewport_size({"width": 1280, "height": 800})
    expect(drawn).to_have_attribute("width", re.compile(r"^[67]\d\d$"))
    expect(drawn).to_contain_text("own error")
    page.emulate_media(media="print")  # what a screen keeps free, so that nothing jumps, no paper does
    parts = (page.locator("#verdict .second"), page.locator("#units"))
    above, below = (part.bounding_box() for part in parts)
    assert above is not None
    assert below is not None
    assert below["y"] - above["y"] - above["height"] < 60


def test_saves_move_nothing_on_the_page(devices: Devices) -> None:
    page = devices.open(*TABLET, is_touch=True, person="Reader")
    page.goto(f"/preps/{devices.new_prep(count=8)}")
    expect(page.locator("#rail figure svg")).to_be_visible(timeout=20_000)
    expect(page.locator("[data-pending]")).to_have_count(0)
    page.evaluate(
        """() => {
          window.shifts = 0;
          new PerformanceObserver(list => list.getEntries().forEach(one => {
            if (!one.hadRecentInput) window.shifts += one.value;
          })).observe({ type: "layout-shift" });
        }"""
    )
    for count in range(9, 12):
        # On the mark, on the next lens: two taps.
        page.locator("[data-on]").tap()
        page.locator(".save").tap()
        expect(page.locator("#answer .saved")).to_be_visible()
        expect(page.locator("[data-reading-id]")).to_have_count(count)
    expect(page.locator("[data-pending]")).to_have_count(0)
    assert page.evaluate("window.shifts") <= 0.01  # of three


def test_the_full_figure_of_the_next_lens_takes_six_taps_and_outlives_a_look_elsewhere(
    devices: Devices,
) -> None:
    page = devices.open(*TABLET, is_touch=True, person="Reader")
    prep_id = devices.new_prep()
    page.goto(f"/preps/{prep_id}")
    page.locator("[data-on]").tap()
    page.locator(".save").tap()
    expect(page.locator("#answer .saved")).to_be_visible()
    keys = ("[data-key='2']", '[data-key="\'"]', "[data-key='1']", "[data-key='0']", "[data-fraction='1/2']")
    for key in keys:
        page.locator(f".pad:not([hidden]) {key}").tap()
    page.get_by_role("link", name="Optics").first.tap()
    page.wait_for_url("**/optics")
    page.go_back()
    expect(page.locator("#reading_text")).to_have_value("2' 10 1/2\"")
    expect(page.locator("[data-now]")).to_have_text("H21 at 3'")
    page.locator(".save").tap()  # the sixth
    expect(page.locator("#answer .saved")).to_contain_text("H21")
    last = devices.server.readings(prep_id)[-1]
    assert (last["lens"], last["reading_text"]) == ("H21", "2' 10 1/2\"")
    page.reload()
    expect(page.locator("#reading_text")).to_have_value("")


def test_save_says_at_once_that_it_saves_and_the_list_shows_the_reading_on_its_way(devices: Devices) -> None:
    page = devices.open(*TABLET, is_touch=True, person="Reader", has_worker=False)
    page.goto(f"/preps/{devices.new_prep()}")
    held: list[Route] = []
    page.route(
        "**/readings",
        lambda route: held.append(route) if route.request.method == "POST" else route.continue_(),
    )
    page.locator("[data-on]").tap()
    page.locator(".save").tap()
    expect(page.locator(".save")).to_have_text("Saving…")
    expect(page.locator("[data-coming=saving]")).to_contain_text("H18 at 3': on")
    for _ in range(200):  # it is kept on the device before it is sent
        if held:
            break
        page.wait_for_timeout(20)
    held[0].continue_()
    expect(page.locator("#answer .saved")).to_be_visible()
    expect(page.locator(".save")).to_have_text("Save reading")
    expect(page.locator("[data-reading-id]")).to_have_count(1)
    expect(page.locator("[data-coming]")).to_have_count(0)
