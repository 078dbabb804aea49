"""A prep that leaves little room, in a browser: sixty lenses with long names, and 300 readings."""

import time
from dataclasses import dataclass, field

import httpx

from benchmarks.web.first_page import FLAGS, installed_browser
from benchmarks.web.house import READ, new_id

__all__ = ["LENSES", "READINGS", "CrowdedPage", "fill_crowded", "use_crowded"]

LENSES, READINGS = 60, 300
WHO = "the crowd"
TABLET, PHONE = (768, 1024), (390, 844)
JUDGED_S = 120.0


@dataclass(kw_only=True)
class CrowdedPage:
    """How long a page took until its content was there, and each save from the tap to "Saved". [ms]"""

    opened_ms: list[float] = field(default_factory=list)
    saved_ms: list[float] = field(default_factory=list)


def fill_crowded(address: str) -> str:
    """Enter two bodies, sixty lenses and their readings; return the prep's path once it is judged."""
    with httpx.Client(base_url=f"{address}/api/v1", timeout=60.0) as line:

        def made(path: str, new: dict[str, object]) -> str:
            answer = line.post(path, json={"id": new_id(), "who": WHO, **new})
            return str(answer.raise_for_status().json()["id"])

        bodies = [made("/bodies", {"name": f"C-{number}"}) for number in range(2)]
        lenses = [
            made(
                "/lenses",
                {
                    "name": f"An invented lens of a long name, no. {number:03d}",
                    "focal_lengths_mm": [18.0 + number],
                    "fnumber": 2.0,
                },
            )
            for number in range(LENSES)
        ]
        prep = made("/preps", {"body_ids": bodies, "lens_ids": lenses, "title": "Crowded"})
        taped = [
            (body, text, made(f"/preps/{prep}/setups", {"body_id": body, "distance_text": text}))
            for body in bodies
            for text in ("3'", "6'")
        ]
        for count in range(READINGS):
            body, text, setup = taped[count // LENSES % len(taped)]
            reading = {
                "id": new_id(),
                "body_id": body,
                "lens_id": lenses[count % LENSES],
                "setup_id": setup,
                "reading_text": READ[text][(7 * count) % 4],
                "operator": WHO,
            }
            line.post(f"/preps/{prep}/readings", json=reading).raise_for_status()
        until = time.monotonic() + JUDGED_S
        while time.monotonic() < until:
            verdict = line.get(f"/preps/{prep}/verdict")
            if verdict.status_code == 200 and verdict.json()["is_current"]:
                break
            time.sleep(0.5)
    return f"/preps/{prep}"


def use_crowded(address: str, path: str, *, is_phone: bool, times: int) -> CrowdedPage:
    """Open the prep's page and save readings on the mark, each as often as asked.

    Chromium keeps what it has loaded, as a device in use does: the first opening is not counted.
    """
    from playwright.sync_api import sync_playwright

    seen = CrowdedPage()
    width, height = PHONE if is_phone else TABLET
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=installed_browser(), args=FLAGS)
        context = browser.new_context(
            viewport={"width": width, "height": height}, has_touch=True, is_mobile=True
        )
        context.add_cookies([{"name": "shimwise_person", "value": "Reader", "url": address}])
        page = context.new_page()
        page.set_default_timeout(60_000)
        for number in range(times + 1):
            page.goto(f"{address}{path}", wait_until="load")
            page.locator("[data-on]").wait_for()
            came_ms = page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd")
            if number:
                seen.opened_ms.append(came_ms)
            page.wait_for_timeout(1500)  # what follows a page is left to end
        for _ in range(times):
            page.locator("[data-on]").tap()
            seen.saved_ms.append(page.evaluate(_SAVE))
            page.wait_for_timeout(3000)  # the judge is left to end: a person reads the ring meanwhile
        browser.close()
    return seen


_SAVE = """() => new Promise((done) => {
  const began = performance.now();
  const before = document.querySelector("#answer .saved");
  before?.remove();
  const look = () => document.querySelector("#answer .saved")
    ? done(performance.now() - began) : requestAnimationFrame(look);
  document.querySelector(".save").click();
  requestAnimationFrame(look);
})"""
"""Save, and wait in the page until it shows that the reading is kept. [ms]"""
