"""The figure in the inks and measures of a page: the same marks as on paper, drawn narrower or darker."""

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
import vl_convert
from invented_answers import LENS_TEXT, bench
from specifications import checked

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.pictures.style import PALETTES, page_style
from shimwise.sheets.pictures.verdict_figure import verdict_figure

WIDTHS = [320, 440, 599, 600, 760, 1000]


def svg_of(spec: dict[str, Any]) -> str:
    return str(vl_convert.vegalite_to_svg(json.dumps(spec)))


@pytest.fixture(scope="module")
def answer() -> Answer:
    return bench()


def numbers(spec: Any, key: str = "um") -> Iterator[float]:  # noqa: ANN401
    """Return the microns of all diamonds, wherever they are in a specification."""
    if isinstance(spec, dict):
        mark = spec.get("mark")
        if isinstance(mark, dict) and mark.get("shape") == "diamond":
            for row in spec["data"]["values"]:
                if key in row:
                    yield row[key]
        for value in spec.values():
            yield from numbers(value, key)
    elif isinstance(spec, list):
        for value in spec:
            yield from numbers(value, key)


@pytest.mark.slow
@pytest.mark.parametrize("width_px", WIDTHS)
def test_the_picture_is_as_wide_as_the_page_gives_it(answer: Answer, width_px: int) -> None:
    style = page_style("dark", width_px)
    svg = svg_of(verdict_figure(answer, lens_text=LENS_TEXT, style=style))
    found = re.search(r'<svg[^>]* width="(\d+)"', svg)
    assert found is not None
    assert abs(int(found[1]) - width_px) <= 24  # names of the outermost ticks may stand out a little


@pytest.mark.parametrize("width_px", [340, 700])
def test_every_kept_landing_is_drawn_at_every_width(answer: Answer, width_px: int) -> None:
    spec = verdict_figure(answer, lens_text=LENS_TEXT, style=page_style("light", width_px))
    on_paper = verdict_figure(answer, lens_text=LENS_TEXT)
    drawn, paper = sorted(numbers(checked(spec))), sorted(numbers(on_paper))
    assert len(drawn) > 20
    assert drawn == pytest.approx(paper)


@pytest.mark.slow
@pytest.mark.parametrize("width_px", [320, 440, 599])
def test_on_a_narrow_page_no_band_and_no_line_runs_through_the_words(answer: Answer, width_px: int) -> None:
    style = page_style("dark", width_px)
    svg = svg_of(verdict_figure(answer, lens_text=LENS_TEXT, style=style))
    group = svg[svg.index("concat_0_group") : svg.index("concat_1_group")]
    words = [
        float(at)
        for at in re.findall(r'<text[^>]*translate\([-\d.]+,([-\d.]+)\)[^>]*font-size="15px"', group)
    ]
    uprights = [
        (float(top), float(top) + float(high))
        for top, high in re.findall(r'<line[^>]*translate\([-\d.]+,([-\d.]+)\)" x2="0" y2="([-\d.]+)"', group)
        if float(high) > 10
    ]
    bands = [
        (float(top), float(top) + float(high))
        for top, high in re.findall(
            r'<path[^>]* d="M[-\d.]+,([-\d.]+)h[\d.]+v([\d.]+)h-[\d.]+Z" fill="#', group
        )
    ]
    rows = 1 + len(answer.lenses)
    assert len(words) > 2 * rows
    assert len(uprights) >= 2 * rows
    assert len(bands) >= 2 * rows
    cap_px, below_px = 11, 3  # of letters 15 px high, from their base line
    for base in words:
        assert not [one for one in (*uprights, *bands) if one[0] < base + below_px and one[1] > base - cap_px]


@pytest.mark.slow
@pytest.mark.parametrize("width_px", [640, 900])
def test_beside_the_plot_the_figures_are_told_to_be_the_units_own_errors(
    answer: Answer, width_px: int
) -> None:
    svg = svg_of(verdict_figure(answer, lens_text=LENS_TEXT, style=page_style("light", width_px)))
    assert ">own error ± 95 %, µm<" in svg


@pytest.mark.slow
@pytest.mark.parametrize("theme", sorted(PALETTES))
def test_a_theme_brings_no_ink_but_its_own(answer: Answer, theme: str) -> None:
    svg = svg_of(verdict_figure(answer, lens_text=LENS_TEXT, style=page_style(theme, 700)))
    found = set(re.findall(r'(?:fill|stroke)="(#[0-9a-fA-F]{3,6}|[a-z]+)"', svg)) - {"none", "transparent"}
    palette = PALETTES[theme]
    own = {palette.ink, palette.grey, palette.tint, palette.zero, palette.short, palette.deep, palette.rim}
    assert found <= own | {palette.band, palette.ground}


@pytest.mark.slow
def test_the_picture_needs_no_style_of_its_own_so_that_a_strict_policy_lets_it_pass(answer: Answer) -> None:
    svg = svg_of(verdict_figure(answer, lens_text=LENS_TEXT, style=page_style("dark", 400)))
    assert not re.search(r"\sstyle=|<style|<script|href=|<image|<foreignObject", svg)


@pytest.mark.parametrize("width_px", [0, 100, 5000])
def test_a_width_that_no_page_has_is_refused(width_px: int) -> None:
    with pytest.raises(SheetError, match="px wide cannot be read; give 280 to 1200"):
        page_style("dark", width_px)


def test_a_theme_that_is_not_known_is_refused_with_those_that_are() -> None:
    with pytest.raises(SheetError, match="no theme 'neon' for a figure; choose paper, dark, light"):
        page_style("neon", 400)
