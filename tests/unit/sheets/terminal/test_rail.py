"""The rail: where its marks stand, and that it keeps to its width and its alphabet."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_answers import ERRORS_UM, LENS_TEXT, answers, bench, large_bench
from rich.cells import cell_len

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import Answer, Verdict
from shimwise.sheets.terminal.rail import draw_rail

TICK = re.compile(r"[−+]?\d+")


def printed_scale(lines: Sequence[str], left_column: int) -> Callable[[float], float]:
    """Read the scale off the printed axis, as a person would: ticks in columns, their numbers below."""
    axis = next(i for i, line in enumerate(lines) if "┴" in line)
    columns = [i for i, sign in enumerate(lines[axis]) if sign == "┴"]
    numbers = {}
    for found in TICK.finditer(lines[axis + 1], left_column):
        middle = (found.start() + found.end() - 1) / 2
        column = min(columns, key=lambda c: abs(c - middle))
        numbers[column] = float(found.group().replace("−", "-"))
    (first, first_um), *_, (last, last_um) = sorted(numbers.items())
    um_per_column = (last_um - first_um) / (last - first)
    return lambda um: first + (um - first_um) / um_per_column


@pytest.mark.parametrize("width", [60, 80, 117, 160])
def test_every_diamond_and_cross_stands_where_the_printed_axis_says(width: int) -> None:
    answer = bench()
    rail = draw_rail(answer, width=width)
    column_of = printed_scale(rail.lines, rail.left_column)
    lines = iter(rail.lines)
    for body in answer.bodies:
        while not next(lines).startswith(f"Body {body.name}"):
            continue
        for lens in answer.lenses:
            own = [r for r in answer.readings if (r.body, r.lens) == (body.name, lens.name)]
            line = next(line for line in lines if line.startswith(lens.name))
            signs = {i for i, sign in enumerate(line) if sign in "◆×23456789" and i >= rail.left_column}
            on_scale = [r for r in own if rail.left_column <= column_of(r.landing_um) < width - 3]
            for reading in on_scale:
                assert min(abs(column_of(reading.landing_um) - sign) for sign in signs) <= 0.51
            if not own:
                assert "not read" in line


def test_the_body_line_runs_through_the_rows_at_the_bodys_error(answer: Answer) -> None:
    rail = draw_rail(answer)
    column_of = printed_scale(rail.lines, rail.left_column)
    first_panel = rail.lines[: rail.lines.index("")]
    columns = [line.index("┊") for line in first_panel if "┊" in line]
    assert len(columns) >= 3
    assert len(set(columns)) == 1
    assert columns[0] == pytest.approx(column_of(answer.bodies[0].error_um), abs=0.51)


def test_an_estimate_spans_its_interval_with_its_centre_marked(answer: Answer) -> None:
    rail = draw_rail(answer)
    column_of = printed_scale(rail.lines, rail.left_column)
    bar = rail.lines[1]  # the body's own: nothing is drawn over it
    body = answer.bodies[0]
    start, end = min(bar.index(s) for s in "━╋"), max(bar.rindex(s) for s in "━╋")
    assert start == pytest.approx(column_of(body.low_um), abs=0.51)
    assert end == pytest.approx(column_of(body.high_um), abs=0.51)
    assert bar.index("╋") == pytest.approx(column_of(body.error_um), abs=0.51)


def test_the_tolerance_band_reaches_from_minus_to_plus(answer: Answer) -> None:
    rail = draw_rail(answer)
    column_of = printed_scale(rail.lines, rail.left_column)
    row = next(line for line in rail.lines if "not read" in line)
    assert row.index("░") == pytest.approx(column_of(-10.0), abs=0.51)
    assert row.rindex("░") == pytest.approx(column_of(10.0), abs=0.51)


def test_short_lies_left_and_deep_right_each_with_its_word_and_shape(answer: Answer) -> None:
    heading = draw_rail(answer).lines[0]
    assert heading.index("◀ short") < heading.index("on the mark") < heading.index("deep ▶")


def test_what_lies_beyond_the_scale_is_drawn_at_the_edge_with_an_arrow(answer: Answer) -> None:
    lines = draw_rail(answer).lines
    assert any("×→" in line for line in lines if line.startswith("H25"))
    assert any("←×" in line for line in lines if line.startswith("H50"))
    assert any("beyond the scale" in line for line in lines)


def test_a_kept_landing_beyond_the_scale_is_not_hidden_by_a_doubted_one(answer: Answer) -> None:
    rows = [r for r in answer.readings if (r.body, r.lens) == ("B-12", "H50")]
    far = replace(next(r for r in rows if r.weight > 0.5), landing_um=-150.0)
    changed = tuple(far if r.row == far.row else r for r in answer.readings)
    lines = draw_rail(replace(answer, readings=changed)).lines
    assert any("←◆×" in line for line in lines if line.startswith("H50"))


@pytest.mark.parametrize(("count", "sign"), [(1, "◆"), (2, "2"), (9, "9"), (10, "#"), (2000, "#")])
def test_readings_in_one_place_are_counted(answer: Answer, count: int, sign: str) -> None:
    one = replace(answer.readings[0], landing_um=-30.0, weight=1.0)
    rail = draw_rail(replace(answer, readings=(one,) * count))
    row = next(line for line in rail.lines if line.startswith("H18"))
    column = round(printed_scale(rail.lines, rail.left_column)(-30.0))
    assert row[column] == sign


def test_a_body_that_nobody_read_says_so(answer: Answer) -> None:
    only_first = tuple(r for r in answer.readings if r.body == "A-07")
    unread = replace(answer.bodies[1], verdict=Verdict.NOT_CHECKED)
    changed = replace(answer, readings=only_first, bodies=(answer.bodies[0], unread))
    lines = draw_rail(changed).lines
    start = next(i for i, line in enumerate(lines) if line.startswith("Body B-12"))
    assert "not read" in lines[start]
    assert not any(line.startswith("H18") for line in lines[start:])


@pytest.mark.slow
@given(answers(), st.integers(60, 160), st.booleans())
def test_no_line_is_wider_than_the_width_and_ascii_is_ascii(
    answer: Answer, width: int, is_ascii: bool
) -> None:
    rail = draw_rail(answer, width=width, lens_text=LENS_TEXT, is_ascii=is_ascii)
    for line in rail.lines:
        assert cell_len(line) <= width
        assert line.isprintable()
        assert not is_ascii or line.isascii()


@given(answers(numbers=st.floats(allow_nan=True, allow_infinity=True)), st.booleans())
def test_no_number_however_mad_breaks_the_rail(answer: Answer, is_ascii: bool) -> None:
    assert all(cell_len(line) <= 80 for line in draw_rail(answer, is_ascii=is_ascii).lines)


@given(answers(numbers=ERRORS_UM))
def test_the_styled_lines_say_the_same_as_the_plain_ones(answer: Answer) -> None:
    rail = draw_rail(answer)
    assert [text.plain for text in rail.styled] == list(rail.lines)


def test_short_is_blue_and_deep_is_orange(answer: Answer) -> None:
    heading = draw_rail(answer).styled[0]
    colour_of = {
        heading.plain[span.start : span.end].strip(): str(span.style) for span in heading.spans if span.style
    }
    assert colour_of["◀"] != colour_of["▶"]
    red, green, blue = (int(colour_of["◀"][-6:][i : i + 2], 16) for i in (0, 2, 4))
    assert blue > red
    red, green, blue = (int(colour_of["▶"][-6:][i : i + 2], 16) for i in (0, 2, 4))
    assert red > green > blue


def test_a_large_bench_stays_short_and_says_what_is_left_out() -> None:
    lines = draw_rail(large_bench(repeats=1)).lines
    assert len(lines) < 100
    assert any(line.startswith("and 42 more") for line in lines)
    assert "and 6 more bodies, not drawn" in lines


@pytest.mark.parametrize("width", [59, 161, 0])
def test_a_width_that_cannot_hold_a_rail_is_refused(answer: Answer, width: int) -> None:
    with pytest.raises(SheetError, match=f"A rail {width} columns wide.*60 to 160"):
        draw_rail(answer, width=width)


def test_each_focal_length_of_a_zoom_has_a_row_of_its_own_on_every_body() -> None:
    answer = bench()
    of_zoom = [one.row for one in answer.readings if one.lens == "HZ"]
    zoom_mm = {row: 28.0 if place % 2 else 76.0 for place, row in enumerate(of_zoom)}
    rail = draw_rail(answer, lens_text=LENS_TEXT, zoom_mm=zoom_mm, width=117)
    names = [line.split("  ")[0] for line in rail.lines if line.startswith("HZ")]
    count = len(answer.bodies)
    assert names == ["HZ at 28 mm", "HZ at 76 mm"] * count
    one_row = draw_rail(answer, lens_text=LENS_TEXT, width=117)
    assert sum(line.startswith("HZ") for line in one_row.lines) == count
