"""The look: contrast by the published formula in both themes, on page and picture; no style in the markup.

W3C, *Web Content Accessibility Guidelines 2.2*: relative luminance and contrast ratio; text 4.5 : 1 (1.4.3),
controls and marks 3 : 1 (1.4.11).
"""

import re
from itertools import pairwise

import pytest

from shimwise.sheets.pictures.style import PALETTES
from shimwise.web.pages.view import FOLDER, STATIC

CSS = (STATIC / "pages.css").read_text(encoding="utf-8")


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def theme(name: str) -> dict[str, str]:
    start = CSS.index(":root {" if name == "dark" else ':root[data-theme="light"] {')
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", CSS[start : CSS.index("}", start)]))


def test_the_formula_gives_the_published_ends() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # WebAIM's well-known example


@pytest.mark.parametrize("name", ["dark", "light"])
@pytest.mark.parametrize("ink", ["bone", "dim", "short", "deep", "on"])
@pytest.mark.parametrize("ground", ["ink", "panel"])
def test_every_text_stands_out_from_its_ground(name: str, ink: str, ground: str) -> None:
    assert contrast(theme(name)[ink], theme(name)[ground]) >= 4.5


@pytest.mark.parametrize("name", ["dark", "light"])
@pytest.mark.parametrize("part", ["edge", "focus"])
def test_borders_of_controls_and_the_focus_ring_can_be_seen(name: str, part: str) -> None:
    assert contrast(theme(name)[part], theme(name)["ink"]) >= 3


@pytest.mark.parametrize("name", ["dark", "light"])
def test_the_picture_has_the_inks_of_its_page_and_stands_out_from_band_and_ground(name: str) -> None:
    palette, page = PALETTES[name], theme(name)
    assert (palette.ink, palette.short, palette.deep) == (page["bone"], page["short"], page["deep"])
    for ink in (palette.ink, palette.grey, palette.short, palette.deep, palette.zero):
        assert contrast(ink, page["ink"]) >= 4.5
    for ink in (palette.ink, palette.short, palette.deep):
        assert contrast(ink, palette.tint) >= 3
        assert contrast(ink, palette.band or page["ink"]) >= 3


def test_every_sign_has_a_shape_of_its_own_so_that_colour_is_never_the_only_one() -> None:
    text = (FOLDER / "parts/signs.html").read_text(encoding="utf-8")
    shapes = re.findall(r'class="sign[^>]*>(.*?)</svg>', text)
    assert len(shapes) >= 6
    assert len(set(shapes)) == len(shapes)


def test_no_template_holds_inline_style_or_script() -> None:
    for template in FOLDER.rglob("*.html"):
        text = template.read_text(encoding="utf-8")
        assert not re.search(r"\sstyle=|<style|\son[a-z]+=|hx-on|javascript:", text), template.name
        assert not re.search(r"<script(?![^>]*\ssrc=)", text), template.name


def test_headings_of_a_template_never_skip_a_level() -> None:
    for template in FOLDER.rglob("*.html"):
        levels = [int(level) for level in re.findall(r"<h([1-6])", template.read_text(encoding="utf-8"))]
        assert all(after <= before + 1 or before == 1 for before, after in pairwise(levels)), template.name


def test_all_that_a_preps_page_loads_is_kept_by_the_worker_at_once() -> None:
    head = "".join((FOLDER / name).read_text(encoding="utf-8") for name in ("base.html", "prep/page.html"))
    kept = re.findall(
        r'"([\w./-]+\.(?:js|css|svg|woff2))"', (STATIC / "worker.js").read_text(encoding="utf-8")
    )
    assert set(re.findall(r'(?:src|href)="/static/([^"]+)"', head)) <= set(kept)
