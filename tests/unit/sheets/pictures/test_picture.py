"""What the rail and the figure draw."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from invented_answers import LENS_TEXT, answers, bench, large_bench

from shimwise.inference.verdict.answer import Answer, Verdict
from shimwise.sheets.pictures.picture import MOST_ROWS, arrange


def test_every_reading_is_in_one_row_of_its_body_and_lens(answer: Answer) -> None:
    picture = arrange(answer)
    drawn = [
        (panel.body.name, row.lens.name, um)
        for panel in picture.panels
        for row in panel.rows
        for um in (*row.kept_um, *row.doubted_um)
    ]
    assert sorted(drawn) == sorted((r.body, r.lens, r.landing_um) for r in answer.readings)


def test_the_way_from_the_body_to_a_lens_is_the_lens_error(answer: Answer) -> None:
    for panel in arrange(answer).panels:
        for row in panel.rows:
            if row.bar:
                assert row.bar.at_um - panel.bar.at_um == pytest.approx(row.lens.error_um, abs=1e-9)
                assert row.bar.high_um - row.bar.low_um == pytest.approx(row.lens.high_um - row.lens.low_um)


def test_a_lens_that_was_never_read_has_no_bar_and_one_read_elsewhere_has(answer: Answer) -> None:
    second = {row.lens.name: row for row in arrange(answer).panels[1].rows}
    assert not second["H135"].is_read
    assert second["H135"].bar is None
    assert not second["HZ"].is_read
    assert second["HZ"].bar is not None


def test_the_name_tells_what_the_lens_is(answer: Answer) -> None:
    rows = arrange(answer, lens_text=LENS_TEXT).panels[0].rows
    assert rows[3].name == "H50 50 mm f/2"


def test_a_large_bench_is_cut_to_what_is_in_question() -> None:
    picture = arrange(large_bench(repeats=1))
    assert len(picture.panels) == 4
    assert picture.more_bodies == 6
    assert "C-04" in {panel.body.name for panel in picture.panels}
    for panel in picture.panels:
        assert len(panel.rows) == MOST_ROWS // 4
        assert {"L07", "L40"} <= {row.lens.name for row in panel.rows}
        assert panel.more_lenses == 50 - len(panel.rows)
        names = [row.lens.name for row in panel.rows]
        assert names == sorted(names)


@pytest.mark.slow
@given(answers())
def test_the_span_holds_every_estimate_and_the_tolerance(answer: Answer) -> None:
    picture = arrange(answer)
    for panel in picture.panels:
        for bar in (panel.bar, *(row.bar for row in panel.rows)):
            assert bar is None or picture.low_um <= bar.at_um <= picture.high_um
    assert picture.low_um <= -answer.tolerance_um
    assert picture.high_um >= answer.tolerance_um


def test_a_blunder_far_off_does_not_flatten_the_rest(answer: Answer) -> None:
    far = replace(answer.readings[0], landing_um=-5e4, weight=0.0)
    changed = replace(answer, readings=(far, *answer.readings[1:]))
    assert arrange(changed).low_um == pytest.approx(arrange(answer).low_um, abs=30)


def test_what_is_no_number_is_left_out() -> None:
    answer = bench()
    lost = replace(answer.lenses[0], error_um=math.nan, low_um=math.nan, verdict=Verdict.CANNOT_TELL)
    reading = replace(answer.readings[0], landing_um=math.inf)
    picture = arrange(
        replace(answer, lenses=(lost, *answer.lenses[1:]), readings=(reading, *answer.readings[1:]))
    )
    row = picture.panels[0].rows[0]
    assert row.bar is None
    assert all(map(math.isfinite, (*row.kept_um, picture.low_um, picture.high_um)))
