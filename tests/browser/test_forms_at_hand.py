"""Forms as a hand meets them on a phone and a tablet: what is typed, and what is wrong, stays in sight."""

import re
from pathlib import Path
from uuid import uuid4

import httpx
import pytest
from browser_bench import Devices
from playwright.sync_api import Locator, Page, expect

from shimwise.record.queries import jobs

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


TOPS = "all => all.map(one => one.getBoundingClientRect().y)"
ROOM_ABOVE = """words => words.getBoundingClientRect().y - Math.max(
  ...[...document.querySelectorAll(".start .chip")]
    .filter(chip => chip.checkVisibility({ visibilityProperty: true }))
    .map(chip => chip.getBoundingClientRect().bottom))"""


def test_fields_side_by_side_stay_in_line_where_one_of_them_is_refused(devices: Devices) -> None:
    page = devices.open(*TABLET, is_touch=True, person="Reader", has_worker=False)
    page.goto("/")
    page.get_by_text("Name, temperature and note").tap()
    page.locator("#temperature_c").fill("warm")
    page.get_by_role("button", name="Start the prep").tap()
    expect(page.locator("#temperature_c-wrong")).to_contain_text("is no number")
    # The page scrolls to what is wrong: places that are compared are taken at once.
    title, temperature = page.locator("#title, #temperature_c").evaluate_all(TOPS)
    assert title == temperature
    words = page.get_by_text("Single lenses, beside the set or without one")
    assert words.evaluate(ROOM_ABOVE) >= 6


SIZES = {
    "a touched screen": {"phone": PHONE, "tablet": TABLET},
    "a mouse": {"laptop": LAPTOP, "laptop at 200 %": (640, 400), "tablet at 200 %": (384, 512)},
}
HIDDEN = """keys => keys.filter(key => {
  const box = key.getBoundingClientRect();
  const over = document.elementFromPoint((box.left + box.right) / 2, (box.top + box.bottom) / 2);
  return box.top < 0 || box.bottom > innerHeight || !(key.contains(over) || over?.contains(key));
}).map(key => key.innerText || key.name)"""
"""Which controls are not whole in the window, or lie under something else."""


def _crowded(devices: Devices) -> dict[str, str]:
    """Start preps that leave little room: two bodies and six lenses; sixty lenses with long names."""
    with httpx.Client(base_url=devices.address, timeout=30) as client:
        bodies = [one["id"] for one in client.get("/api/v1/bodies").json()["bodies"]][:2]
        own = [one["id"] for one in client.get("/api/v1/lenses", params={"search": "H"}).json()["lenses"]][:6]
        wanted = {"search": "An invented lens", "limit": 100}
        known = client.get("/api/v1/lenses", params=wanted).json()["lenses"]
        many = [one["id"] for one in known] or [_long_named(client, number) for number in range(60)]
        preps = {}
        for name, lens_ids in (("six", own), ("sixty", many)):
            new = {"body_ids": bodies, "lens_ids": lens_ids, "title": f"Crowded, {name}", "who": "test"}
            preps[name] = client.post("/api/v1/preps", json=new).raise_for_status().json()["id"]
    return preps


def _long_named(client: httpx.Client, number: int) -> str:
    """Add a lens with a name of forty letters: the first is a zoom, the second has a metric scale."""
    lens = {
        "name": f"An invented lens of a long name, no. {number:03d}",
        "focal_lengths_mm": [18.0 + number] if number else [24.0, 80.0],
        "fnumber": 2.0,
        "scale_unit": "m" if number == 1 else "ft",
        "who": "test",
    }
    return str(client.post("/api/v1/lenses", json=lens).raise_for_status().json()["id"])


@pytest.mark.parametrize("kind", SIZES)
def test_the_whole_pad_and_save_are_in_sight_at_once(devices: Devices, kind: str) -> None:
    page = devices.open(*PHONE, is_touch=kind == "a touched screen", person="Reader", has_worker=False)
    crowded = _crowded(devices)
    for prep_id in (devices.new_prep(), *crowded.values()):
        page.goto(f"/preps/{prep_id}")
        expect(page.get_by_text("What can be reached by eye is being worked out…")).to_have_count(0)
        for size, (width, height) in SIZES[kind].items():
            page.set_viewport_size({"width": width, "height": height})
            _look_at_the_pad(page, size, width)
            if size == "laptop" and prep_id == crowded["six"]:
                assert page.locator(".choose .chip:visible").evaluate_all(HIDDEN) == []
            if prep_id == crowded["sixty"]:
                assert page.locator("[data-lenses] .chip").count() == 60
                assert _box(page.locator("[data-lenses]"))["height"] < 120, "sixty lenses stand in one line"


def _look_at_the_pad(page: Page, size: str, width: int) -> None:
    """Look for each key of both pads in the window, from the top of the page or by the way to the pad."""
    page.evaluate("scrollTo(0, 0)")
    if size not in ("tablet", "laptop"):
        page.get_by_role("link", name="Enter a reading").click()
        expect(page.locator(".to-pad")).to_have_class(re.compile("is-away"))  # it lay over the pad's foot
    for mode in ("ft", "m"):
        keys = page.locator(f".pad[data-mode={mode}] button, .nudge button, .save, #reading_text")
        assert keys.evaluate_all(HIDDEN) == [], (size, mode)
        assert keys.count() > 20
        if mode == "ft":
            page.locator("[data-metric]").evaluate("key => key.click()")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("[data-feet]").evaluate("key => key.click()")


def test_one_of_sixty_lenses_is_found_by_its_name_and_brings_its_own_pad(devices: Devices) -> None:
    page = devices.open(*TABLET, is_touch=True, person="Reader", has_worker=False)
    page.goto(f"/preps/{_crowded(devices)['sixty']}")
    find = page.get_by_label("Find a lens by its name")
    find.fill("no. 001")
    expect(page.locator("[data-lenses] .chip:visible")).to_have_count(1)
    find.press("Enter")
    expect(page.locator("[data-now]")).to_contain_text("no. 001")
    expect(page.locator(".pad[data-mode=m]")).to_be_visible()
    # A zoom: its focal lengths at one tap, on one line; the pad keeps its place.
    before = _box(page.locator(".save"))
    find.fill("no. 000")
    find.press("Enter")
    expect(page.locator(".pad[data-mode=ft]")).to_be_visible()
    page.locator("[data-focal-key='80']").tap()
    expect(page.locator("[data-now]")).to_contain_text("80 mm")
    assert _box(page.get_by_text("Zoom at"))["height"] < 40
    assert _box(page.locator(".save")) == before


def test_a_new_device_is_asked_for_the_name_at_the_field_in_sight(devices: Devices) -> None:
    page = devices.open(*PHONE, is_touch=True, has_worker=False)
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


def test_after_save_the_pad_stays_where_it_was_and_the_answer_is_seen(devices: Devices) -> None:
    page = devices.open(*PHONE, is_touch=True, person="Reader", has_worker=False)
    page.goto(f"/preps/{devices.new_prep(count=6)}")
    picture = page.locator("#rail figure svg")
    picture.wait_for(state="attached")
    for count, top_px in enumerate((160, 84, -70), 7):  # in the middle, at the top, above the top
        page.locator("#reading_text").fill("on")
        expect(page.locator("#answer")).to_contain_text("on the mark")
        pad, saved = page.locator("#answer"), page.locator("#answer .saved")
        pad.evaluate("(pad, top) => scrollBy(0, pad.getBoundingClientRect().top - top)", top_px)
        picture.evaluate("svg => { svg.dataset.old = 'yes'; }")
        page.locator(".save").evaluate("save => save.click()")
        expect(saved).to_be_visible()
        expect(page.locator("[data-reading-id]")).to_have_count(count)
        for is_last in (False, True):  # before and after picture and verdict come anew above the pad
            assert _is_seen(page, saved)
            if top_px > 0:
                assert _box(pad)["y"] == pytest.approx(top_px, abs=3)
            if not is_last:
                expect(page.locator("#rail figure svg:not([data-old])")).to_have_count(1)
                expect(page.locator("[data-pending]")).to_have_count(0)
                page.wait_for_timeout(100)
        expect(page.locator("#reading_text")).to_be_focused()


def test_what_is_wrong_with_the_distance_is_said_at_the_distance(devices: Devices) -> None:
    page = devices.open(*PHONE, is_touch=True, person="Reader", has_worker=False)
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


@pytest.mark.parametrize("size", [PHONE, TABLET], ids=["phone", "tablet"])
def test_what_to_do_first_is_read_without_scrolling_and_leads_to_its_steps(
    devices: Devices, size: tuple[int, int]
) -> None:
    with httpx.Client(base_url=devices.address, timeout=10) as client:
        preps = client.get("/api/v1/preps").json()["preps"]
    page = devices.open(*size, is_touch=True, person="Reader", has_worker=False)
    page.goto(f"/preps/{next(one['id'] for one in preps if 'A-07 and A-12' in one['title'])}")
    remedies = page.locator(".now li a[href^='#remedy-']")
    assert _is_seen(page, remedies.first)
    remedies.first.tap()  # a phone folds the steps: the link unfolds them
    steps = page.locator("#remedy-1 .steps li").first
    expect(steps).to_be_visible()
    assert _is_seen(page, page.locator("#remedy-1 h3"))


SMALL = """() => [...document.querySelectorAll("a[class], .foot a, button, input, select, summary")]
  .map(one => [one, (one.closest(".chip, .tick") || one).getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.width < 43.5 || box.height < 43.5))
  .map(([one]) => one.innerText || one.name)"""


def test_with_long_names_every_page_fits_a_phone_and_every_control_a_finger(devices: Devices) -> None:
    page = devices.open(*PHONE, is_touch=True, person="Reader", has_worker=False)
    prep = f"/preps/{_crowded(devices)['sixty']}"
    for path in ("/", "/lenses", "/sets/new", "/bodies/new", prep, f"{prep}/adjust", "/plan", "/settings"):
        page.goto(path)
        page.evaluate(
            "() => document.querySelectorAll('.fold').forEach(fold => fold.classList.add('is-open'))"
        )
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0], path
        assert page.evaluate(SMALL) == [], path


def test_what_is_chosen_for_a_sweep_stays_while_another_one_is_on_its_way(
    devices: Devices, tmp_path: Path
) -> None:
    prep_id, record = devices.new_prep(), devices.server.record
    elsewhere = {"place": f"frames/{'7' * 32}", "server": "bay-2:9"}  # so that it waits as long as the test
    with record.working() as connection:
        row = jobs.new_job(jobs.SWEEP, uuid4().hex, prep_id=prep_id, title="H18", task=elsewhere)
        jobs.put(connection, [row])
    page = devices.open(*LAPTOP, is_touch=False, person="Technician", has_worker=False)
    page.goto(f"/preps/{prep_id}")
    page.get_by_text("Bring a sweep").click()
    page.get_by_label("Lens", exact=True).last.select_option(index=2)
    (tmp_path / "f1.png").write_bytes(b"")
    page.locator("#files").set_input_files(tmp_path / "f1.png")
    for _ in range(2):
        with page.expect_response(f"**/preps/{prep_id}/sweeps?kept=0"):
            pass
    page.wait_for_function("() => document.querySelector('#sweep-jobs progress')")
    assert page.get_by_label("Lens", exact=True).last.evaluate("one => one.selectedIndex") == 2
    assert page.locator("#files").evaluate("one => one.files.length") == 1
    with record.working() as connection:
        jobs.remove(connection, row.id)
    expect(page.locator("#sweep-jobs progress")).to_have_count(0)
    assert page.locator("#files").evaluate("one => one.files.length") == 1


def test_a_name_that_is_not_saved_yet_outlives_a_reload_and_the_choices_are_whole(devices: Devices) -> None:
    prep_id = devices.new_prep(count=2)
    page = devices.open(1024, 768, is_touch=True)
    page.goto(f"/preps/{prep_id}")
    page.locator("#operator").fill("A. Person")
    page.reload()
    expect(page.locator("#operator")).to_have_value("A. Person")
    pad = page.locator("#entry").bounding_box()
    taped = page.locator(".chooser fieldset").last.bounding_box()
    assert pad is not None
    assert taped is not None
    assert taped["y"] + taped["height"] <= pad["y"] + 1
