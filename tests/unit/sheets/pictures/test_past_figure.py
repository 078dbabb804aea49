"""The figure of a unit's past: each verdict at its time with its interval, the tolerance, the adjustments."""

import json
import re
from datetime import UTC, datetime, timedelta

import pytest
import vl_convert
from specifications import Node, checked, marks

from shimwise.sheets.pictures.past_figure import PastPoint, past_figure
from shimwise.sheets.pictures.style import DARK, page_style

BEGIN = datetime(2026, 3, 1, 10, tzinfo=UTC)


def point(day: int, um: float, *, is_out: bool = False) -> PastPoint:
    return PastPoint(
        at=BEGIN + timedelta(days=day), error_um=um, low_um=um - 5, high_um=um + 5, is_out=is_out
    )


def spec_of(*points: PastPoint, adjusted: tuple[datetime, ...] = ()) -> Node:
    style = page_style("dark", 640)
    return checked(past_figure(points, adjusted=adjusted, tolerance_um=10, style=style))


def rows_of(spec: Node, kind: str) -> list[Node]:
    return [row for _, rows in marks(spec, kind) for row in rows]


def test_every_verdict_is_drawn_at_its_error_and_interval() -> None:
    spec = spec_of(point(0, -14, is_out=True), point(30, -3), point(60, 2))
    ticks = sorted(row["um"] for row in rows_of(spec, "tick"))
    assert ticks == [-14, -3, 2]
    spans = {(row["low"], row["high"]) for row in rows_of(spec, "rule") if "low" in row}
    assert spans == {(-19, -9), (-8, 2), (-3, 7)}


def test_what_is_out_has_the_ink_of_its_side_and_the_band_is_the_tolerance() -> None:
    spec = spec_of(point(0, -14, is_out=True), point(30, 14, is_out=True))
    inks = {layer["mark"].get("color") for layer in spec["layer"] if layer["mark"]["type"] == "tick"}
    assert inks == {DARK.short, DARK.deep}
    [band] = rows_of(spec, "rect")
    assert (band["um"], band["um2"]) == (-10, 10)


def test_adjustments_are_told_and_the_words_hold_every_verdict() -> None:
    spec = spec_of(point(0, -14), point(30, 1), adjusted=(BEGIN + timedelta(days=10),))
    assert "adjusted" in {row.get("words") for row in rows_of(spec, "text")}
    assert "2 verdicts, tolerance ±10 µm; adjusted 1 time." in spec["description"]
    assert "2026-03-01: −14 ± 5 µm." in spec["description"]


@pytest.mark.parametrize("days", [1, 2, 40])
def test_days_below_are_named_once_each_and_in_order(days: int) -> None:
    spec = spec_of(*(point(3 * day, 0) for day in range(days)))
    svg = vl_convert.vegalite_to_svg(json.dumps(spec))
    named = re.findall(r">(\d+ [A-Z][a-z]{2} 2026)<", svg)
    assert named
    assert len(set(named)) == len(named)
    assert [datetime.strptime(day, "%d %b %Y") for day in named] == sorted(
        datetime.strptime(day, "%d %b %Y") for day in named
    )
