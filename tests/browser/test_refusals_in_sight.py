"""What is not taken: it leaves no row behind, and why it was refused is in sight, at its field."""

import pytest
from browser_bench import Devices, at_the_lock
from playwright.sync_api import Locator, Page, expect

ON_ITS_SIDE = (1180, 820)
IN_SIGHT = """part => {
  const box = part.getBoundingClientRect();
  const seen = (y) => part.contains(document.elementFromPoint(box.left + box.width / 2, y));
  return seen(box.top + 3) && seen(box.bottom - 3);
}"""
"""Whether top and foot of it are in the window and under nothing else."""


def _opened(devices: Devices, taped: tuple[str, ...] = ("3'",), count: int = 0) -> tuple[Page, str]:
    page = devices.open(*ON_ITS_SIDE, is_touch=True, person="Reader", has_worker=False)
    prep_id = devices.new_prep(taped=taped, count=count)
    page.goto(f"/preps/{prep_id}")
    return page, prep_id


def _in_sight(part: Locator) -> bool:
    seen: bool = part.evaluate(IN_SIGHT)
    return seen


def test_what_is_refused_or_asked_about_leaves_no_row_in_the_list(devices: Devices) -> None:
    page, prep_id = _opened(devices)
    save, field = page.locator(".save"), page.locator("#reading_text")
    for typed in ("2' 14\"", "abc", "30'"):
        field.fill(typed)
        with page.expect_response("**/readings") as answered:
            save.tap()
        assert answered.value.status == 422
        expect(page.locator("#answer .wrong")).to_be_visible()
        expect(page.locator("[data-coming], #readings ol")).to_have_count(0)
        expect(page.get_by_text("None yet.")).to_be_visible()
    expect(save).to_have_text("Save it all the same")
    field.fill("3'")
    expect(save).to_have_text("Save reading")
    save.tap()
    expect(page.locator("[data-reading-id]")).to_have_count(1)
    assert [one["reading_text"] for one in devices.server.readings(prep_id)] == ["3'"]


@pytest.mark.parametrize("is_saved", [False, True], ids=["while it is typed", "after Save"])
def test_why_a_distance_is_refused_is_in_sight_where_the_choices_scroll(
    devices: Devices, is_saved: bool
) -> None:
    page, _ = _opened(devices, taped=("3'", "6'", "12'"))
    page.locator("input[name=setup_id][value='']").check()
    page.locator("#reading_text").fill("3'")
    page.locator("#distance_text").fill("3")
    wrong = page.locator("#distance_text-wrong")
    expect(wrong).to_contain_text("the number has no unit")
    if is_saved:
        page.locator(".chooser").evaluate("part => { part.scrollTop = 0; }")
        with page.expect_response("**/readings"):
            page.locator(".save").tap()
        expect(page.locator("#distance_text")).to_be_focused()
    expect(page.locator("[data-coming]")).to_have_count(0)
    page.wait_for_function(f"() => ({IN_SIGHT})(document.querySelector('#distance_text-wrong'))")


def test_a_form_that_is_refused_shows_the_first_refused_field_and_saves_at_its_end(devices: Devices) -> None:
    page = devices.open(*ON_ITS_SIDE, is_touch=True, person="Reader", has_worker=False)
    page.goto("/lenses/new")
    for name, typed in (("name", "Refused 35"), ("focal_lengths_mm", "35"), ("fnumber", "2")):
        page.locator(f"#{name}").fill(typed)
    page.get_by_text("What else is known of it").tap()
    page.locator("#history_mean_um").fill("3")
    page.get_by_role("button", name="Add the lens").last.tap()
    expect(page.locator("#history_sd_um")).to_be_focused()
    assert _in_sight(page.locator("#history_sd_um-wrong"))
    page.locator("#history_sd_um").fill("2")
    end = page.get_by_role("button", name="Add the lens").last
    assert _in_sight(end)
    end.tap()
    expect(page.get_by_text("Refused 35").first).to_be_visible()
    assert not page.url.endswith("/new")


def test_a_choice_that_is_missing_is_asked_for_as_a_choice(devices: Devices) -> None:
    page = devices.open(360, 740, is_touch=True, person="Reader", has_worker=False)
    page.goto(at_the_lock(devices))
    page.get_by_role("button", name="Save the answer").tap()
    told = page.get_by_text("This is missing: choose one.")
    expect(told).to_have_count(1)
    assert _in_sight(told)
    page.get_by_label("There is no lock").tap()
    expect(told).to_have_count(0)


def test_all_choices_are_in_sight_while_a_reading_is_corrected(devices: Devices) -> None:
    page, _ = _opened(devices, taped=("3 foot", "6'", "12'", "24'"), count=1)
    page.get_by_role("link", name="Correct reading 1").tap()
    expect(page.locator(".correcting")).to_be_visible()
    chips = page.locator(".choose .chip:visible")
    assert chips.count() > 10
    assert [chip.inner_text() for chip in chips.all() if not _in_sight(chip)] == []
    taped = page.locator("input[name=setup_id] + span")
    assert taped.all_inner_texts() == ["3'", "6'", "12'", "24'", "other"]
