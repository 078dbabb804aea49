"""Looks at a page with axe-core, in both themes and at 200 % zoom.

All rules are looked at in the theme that is shown; then the theme is changed where it is, and only the rules
of colour are. Rows of a long list are alike, so that its first ones stand for all; the others, and what
pictures are drawn of, are taken out of the page meanwhile.
"""

from pathlib import Path

import axe_playwright_python
from playwright.sync_api import Page

__all__ = ["look"]

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
LOOK = """async () => {
  const root = document.documentElement, theme = root.dataset.theme;
  const out = "svg > :not(title, desc), ol.readings > li:nth-child(n+4), tbody > tr:nth-child(n+5)";
  const taken = [...document.querySelectorAll(out)].map((one) => [one, document.createComment("")]);
  for (const [one, mark] of taken) one.replaceWith(mark);
  const plain = { resultTypes: ["violations"], preload: false, iframes: false };
  const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"];
  const all = await axe.run(document, { ...plain, runOnly: { type: "tag", values: tags } });
  root.dataset.theme = theme === "dark" ? "light" : "dark";
  const rules = ["color-contrast", "link-in-text-block"];
  const colours = await axe.run(document, { ...plain, runOnly: { type: "rule", values: rules } });
  root.dataset.theme = theme;
  for (const [one, mark] of taken) mark.replaceWith(one);
  const found = [...all.violations, ...colours.violations];
  const serious = found.filter((one) => /serious|critical/.test(one.impact));
  return serious.map((one) => `${one.id}: ${one.help}: ${one.nodes[0].html.slice(0, 160)}`);
}"""
WIDER = "() => Math.max(0, document.documentElement.scrollWidth - window.innerWidth)"


def look(page: Page) -> list[str]:
    """Return what is wrong with the page that is shown, in both themes and at twice its size."""
    page.emulate_media(reduced_motion="reduce")  # no colour is caught on its way to another
    page.evaluate(AXE)
    wrong = page.evaluate(LOOK)
    size = page.viewport_size
    assert size is not None
    page.set_viewport_size({"width": max(320, size["width"] // 2), "height": size["height"] // 2})
    over_px = page.evaluate(WIDER)
    if over_px:  # what a camera shows is drawn anew ten times a second: what stays too wide is wrong
        page.wait_for_timeout(400)
        over_px = page.evaluate(WIDER)
    page.set_viewport_size(size)
    return [f"{page.url}: {one}" for one in wrong + [f"{over_px} px too wide at 200 %"] * bool(over_px)]
