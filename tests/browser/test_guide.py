"""The guide in a browser: what is asked with an answer opens under it."""

from browser_bench import Devices, at_the_lock
from looks import look
from playwright.sync_api import Page, expect

FEED = """window.shimwiseFeed = ({ on }) => {
  window.feedOn = on;
  return { isOpen: true, open() {}, stop() {}, startOver() {}, nameFirst() {} };
}"""
"""A feed without a camera, whose answers a test makes."""
ANSWERED = """([left, half_um, side]) => {
  const amount = Number(document.getElementById("watch").dataset.amount);
  const um = left === null ? -12 : -12 + amount - left;
  const landing = { um, half_um, side, is_held: true, can_save: side !== "unknown", size_text: "12" };
  window.feedOn.answer({ landing, stars: [], words: ["Hold still"], dropped: 0 });
}"""


def stops_only_where_it_is_known(page: Page) -> None:
    """Look at what the guide's watch shows, and tells a screen reader, of answers of a feed."""
    page.get_by_text("Watch the move by the picture").tap()
    page.get_by_label("Sensor’s pixel, µm").fill("6")
    page.get_by_role("button", name="Open the camera").tap()
    figure, beside, said = (page.locator(f"#watch [data-{name}]") for name in ("figure", "beside", "said"))
    for left, half_um, side, words, read in (
        (None, 8.0, "short", None, None),  # the start
        (None, 0.5, "short", None, None),  # known better while the picture rests at it
        (12.4, 0.5, "short", "12.4 µm to go", "12 µm to go, away from the lens."),
        (12.4, 0.5, "unknown", "12 µm from the sharpest", "Which side of the sharpest"),
        (12.4, 31.7, "short", "Not known well enough to stop", "go through the sharpest place again"),
        (3.0, 4.0, "short", "Stop: inside", "Stop: inside."),
        (-12.4, 0.5, "deep", "12.4 µm to go", "12 µm to go, toward the lens."),
        (-9.4, 0.3, "deep", "9.4 µm to go", "9 µm to go, toward the lens."),
    ):
        page.evaluate(ANSWERED, [left, half_um, side])
        if words is None:
            continue
        expect(figure).to_have_text(words)
        expect(said).to_contain_text(read)
        if half_um > 5.0:
            expect(beside).to_contain_text(
                "12.4 µm are left, give or take 31.7: too wide to stop by. Hold still"
            )
    expect(beside).to_contain_text("toward the lens, give or take 0.6")


def test_who_consented_is_asked_under_the_answer_and_taken_with_it(devices: Devices) -> None:
    page = devices.open(360, 740, is_touch=True, person="Reader", has_worker=False)
    at = at_the_lock(devices)
    page.add_init_script(FEED)
    page.goto(at)
    consent, found = (
        page.get_by_label("Who gave consent to release it"),
        page.get_by_label("has a lock. What did"),
    )
    expect(consent).to_be_hidden()
    expect(found).to_be_hidden()
    page.get_by_label("There is no lock").tap()
    expect(found).to_be_visible()
    page.get_by_role("button", name="Save the answer").tap()
    expect(page.locator("#found-wrong")).to_contain_text("Look again before anything is turned")
    page.get_by_label("It was released").tap()
    expect(found).to_be_hidden()
    assert look(page) == []
    consent.fill("the owner, by phone")
    page.get_by_role("button", name="Save the answer").tap()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Mark")
    expect(page.locator("#guide")).to_contain_text("the owner, by phone")
    page.get_by_label("Where the screw stands now").fill("slot at the top")
    page.get_by_role("button", name="Save and go on").tap()
    expect(page.get_by_role("button", name="Moved as told")).to_be_visible()
    stops_only_where_it_is_known(page)
    devices.add_reading(at.split("/")[2])  # other devices go on
    page.get_by_text("Give the adjustment up").tap()
    page.get_by_label("Why it is given up").fill("a test")
    page.get_by_role("button", name="Give it up").tap()
    expect(page.get_by_role("heading", level=1)).to_contain_text("given up")
