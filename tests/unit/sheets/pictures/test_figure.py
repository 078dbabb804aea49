"""The figure: what it shows, where, and what it leaves out."""

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from invented_answers import LENS_TEXT, bench, large_bench
from specifications import Node, checked, marks

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.pictures.verdict_figure import verdict_figure


def drawn(answer: Answer) -> Node:
    """Return a figure's specification."""
    return checked(verdict_figure(answer, lens_text=LENS_TEXT))


@pytest.fixture(scope="module")
def spec() -> Node:
    return drawn(bench())


def test_every_kept_landing_is_a_diamond_at_its_microns(spec: Node, answer: Answer) -> None:
    for panel, body in zip(spec["vconcat"], answer.bodies, strict=False):
        drawn = sorted(row["um"] for _, rows in marks(panel, "point", shape="diamond") for row in rows)
        kept = sorted(r.landing_um for r in answer.readings if r.body == body.name and r.weight > 0.5)
        assert drawn == pytest.approx(kept)


def test_a_doubted_reading_is_a_cross_and_one_beyond_the_axis_tells_how_far(spec: Node) -> None:
    words = {row["words"] for _, rows in marks(spec, "text") for row in rows if "signs" in row}
    assert words == {"+39 µm", "−152 µm"}
    crosses = [mark for mark, _ in marks(spec, "point") if mark["mark"]["shape"].startswith("M")]
    assert len(crosses) == 3  # one on each panel, one in the legend


def test_bars_lie_at_body_plus_lens_and_span_their_intervals(spec: Node, answer: Answer) -> None:
    body, lens = answer.bodies[0], answer.lenses[3]
    bars = [row for _, rows in marks(spec["vconcat"][0], "rule") for row in rows if "thickness" in row]
    own = next(row for row in bars if row["row"] == 0)
    assert (own["um"], own["low"], own["high"]) == pytest.approx((body.error_um, body.low_um, body.high_um))
    fourth = next(row for row in bars if 4 <= row["row"] < 5)
    assert fourth["um"] - own["um"] == pytest.approx(lens.error_um)
    assert fourth["high"] - fourth["low"] == pytest.approx(lens.high_um - lens.low_um)
    assert fourth["thickness"] > bars[1]["thickness"]


def test_the_tolerance_band_reaches_from_minus_to_plus_in_the_one_tint(spec: Node) -> None:
    for panel in spec["vconcat"][:2]:
        [(band, [row])] = list(marks(panel, "rect"))
        assert (row["um"], row["um2"]) == (-10.0, 10.0)
        assert band["mark"]["color"] == "#d5dfe6"


def test_all_panels_share_one_axis(spec: Node) -> None:
    domains = {
        json.dumps(layer["encoding"]["x"]["scale"]["domain"])
        for panel in spec["vconcat"][:2]
        for layer, _ in marks(panel, "rule")
    }
    assert len(domains) == 1


def test_black_and_one_tint_are_the_only_colours(spec: Node) -> None:
    colours = {
        value.lower()
        for key, value in _leaves(spec)
        if key in ("color", "fill", "stroke") and isinstance(value, str)
    }
    tinted = {c for c in colours if c.startswith("#") and len({c[1:3], c[3:5], c[5:7]}) > 1}
    assert tinted == {"#d5dfe6"}


def _leaves(node: Any, key: str = "") -> Iterator[tuple[str, Any]]:  # noqa: ANN401
    if isinstance(node, dict):
        for name, value in node.items():
            yield from _leaves(value, name)
    elif isinstance(node, list):
        for value in node:
            yield from _leaves(value, key)
    else:
        yield key, node


def test_the_headline_is_the_title_and_the_description_tells_every_unit(spec: Node, answer: Answer) -> None:
    assert " ".join(spec["title"]["text"]) == answer.headline
    assert "H50 is short as well." in " ".join(spec["title"]["subtitle"])
    for unit in (*answer.bodies, *answer.lenses):
        assert f"{unit.name}: " in spec["description"]


def test_a_long_headline_is_wrapped() -> None:
    long = replace(bench(), headline="The sensor sits too close by 14 ± 6 µm and more. " * 5)
    lines = verdict_figure(long)["title"]["text"]
    assert len(lines) >= 3
    assert max(map(len, lines)) <= 82


@pytest.mark.slow
def test_twenty_thousand_readings_are_thinned_to_both_ends_and_the_figure_says_so() -> None:
    answer = large_bench(lenses=10)
    spec = drawn(answer)
    assert len(json.dumps(spec)) < 1_000_000
    diamonds = [
        row["um"]
        for _, rows in marks(spec["vconcat"][0], "point", shape="diamond")
        for row in rows
        if row["row"] < 1
    ]
    name = next(
        row["words"] for _, rows in marks(spec["vconcat"][0], "text") for row in rows if row["row"] == 1
    )
    own = [r.landing_um for r in answer.readings if (r.body, r.lens) == ("C-00", name) and r.weight > 0.5]
    assert len(own) > 150
    assert len(diamonds) == 60
    assert (min(diamonds), max(diamonds)) == (min(own), max(own))
    assert sorted(diamonds)[30] == pytest.approx(sorted(own)[len(own) // 2], abs=0.5)
    notes = [layer["mark"]["text"] for layer, _ in marks(spec["vconcat"][-1], "text")]
    words = " ".join(notes)
    assert "Of 20,100 readings, 60 are drawn in a row at most, evenly through their order." in words
    assert "Not drawn: 6 more bodies." in words


def test_nothing_read_at_all_still_makes_a_figure(answer: Answer) -> None:
    empty = replace(answer, readings=(), lenses=(), setups=(), causes=(), next=())
    spec = drawn(empty)
    assert len(spec["vconcat"]) == 3
    texts = [layer["mark"].get("text") for layer, _ in marks(spec, "text")]
    assert texts.count("not read") == 2
