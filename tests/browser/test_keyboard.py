"""Every page by keyboard alone: Tab reaches every control, each is in sight and shows its ring."""

from pathlib import Path

from browser_bench import Devices
from playwright.sync_api import Page, expect

WATCH = """() => {
  const isShown = (one) => one.checkVisibility({ visibilityProperty: true });
  const wanted = (one) => isShown(one) && !one.disabled && one.tabIndex >= 0;
  const isGroup = (one) => one.type === 'radio' && one.name;
  const group = (one) => [...document.getElementsByName(one.name)].filter((other) => other.form === one.form);
  const chosen = (all) => all.find((one) => one.checked) || all[0];
  const first = (one) => !isGroup(one) || one === chosen(group(one));
  const all = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex]')];
  const left = new Set(all.filter((one) => one.type !== 'hidden' && wanted(one) && first(one)));
  const name = (one) => `${one.tagName} ${one.name || one.id || ''} ${one.textContent.trim().slice(0, 40)}`;
  const faults = [];
  // What has the focus is looked at when the next key goes down: by then the page has come to rest.
  window.looked = () => {
    const one = document.activeElement;
    if (!left.has(one)) return;
    left.delete(one);
    const shown = one.matches('input') && one.closest('label') || one;
    const box = shown.getBoundingClientRect();
    const over = Math.max(0, -box.top, box.bottom - innerHeight);
    const isSeen = over < box.height && box.width > 0 && box.right > 0 && box.left < innerWidth;
    const rings = [one, ...shown.querySelectorAll('*')].map((part) => getComputedStyle(part));
    const isRing = (style) => style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
    const hasRing = rings.some(isRing);
    const y = Math.min(box.top + box.height / 2, innerHeight - 1);
    const middle = document.elementFromPoint((box.left + box.right) / 2, y);
    const isCovered = middle && !shown.contains(middle) && !middle.contains(shown);
    const fault = !isSeen ? 'out of sight' : !hasRing ? 'no ring' : isCovered ? 'covered' : '';
    if (fault) faults.push(`${fault}: ${name(one)}`);
  };
  addEventListener('keydown', (event) => event.key === 'Tab' && window.looked(), true);
  window.faults = () => {
    window.looked();
    return [...faults, ...[...left].map((one) => `not reached: ${name(one)}`)];
  };
  return left.size;
}"""
PAGES = (
    "/",
    "/bodies",
    "/lenses",
    "/sets",
    "/bodies/new",
    "/lenses/new",
    "/house-list",
    "/charts",
    "/optics",
    "/plan",
    "/settings",
    "/settings/wear",
    "/repeatability",
    "/verify",
    "/label",
)


def walked(page: Page) -> list[str]:
    """Press Tab through the whole page; return what was not reached, hidden, or without a ring."""
    count = page.evaluate(WATCH)
    for _ in range(count + 2):
        page.keyboard.press("Tab")
    return [f"{page.url}: {fault}" for fault in page.evaluate("() => window.faults()")]


def test_every_page_is_walked_by_keyboard_alone(devices: Devices) -> None:
    page = devices.open(1280, 800, is_touch=False, person="Technician", has_worker=False)
    prep_id = devices.new_prep(count=2)
    own = f"/preps/{prep_id}"
    faults = []
    for address in (*PAGES, own, f"{own}/sign", f"{own}/papers", f"{own}/adjust"):
        page.goto(address)
        faults += walked(page)
    assert not faults, "\n".join(faults)


def test_a_sweep_is_described_by_keyboard_and_shown_before_it_is_sent(
    devices: Devices, tmp_path: Path
) -> None:
    page = devices.open(1280, 800, is_touch=False, person="Technician", has_worker=False)
    page.goto(f"/preps/{devices.new_prep()}")
    summary = page.get_by_text("Bring a sweep")
    summary.focus()
    page.keyboard.press("Enter")
    names = [f"f{number}.png" for number in (2, 10, 1)]
    for name in names:
        (tmp_path / name).write_bytes(b"")
    page.locator("#files").set_input_files([tmp_path / name for name in names])
    shown = page.locator("[data-sweep-shown]")
    expect(shown).to_have_text("3 frames, f1.png first and f10.png last.")  # by number, not by letter
    of_sensor = "In µm, + away from the lens, as −60"
    for kind, hint in (("screw", "In turns, + clockwise, as −0.10, or 36° clockwise"), ("sensor", of_sensor)):
        page.get_by_label("What moved").select_option(kind)
        expect(page.locator("#sweep-first-hint")).to_have_text(hint, use_inner_text=True)
    page.get_by_label("First frame at").focus()
    page.keyboard.type("-60")
    page.keyboard.press("Tab")
    page.keyboard.type("30")
    expect(shown).to_have_text("3 frames: f1.png at −60 µm, f2.png at −30 µm, f10.png at 0 µm.")
