"""The rail's scale: what it holds, and where its ticks fall."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import SheetError
from shimwise.sheets.terminal.scale import EDGE, choose_scale

SPANS = st.tuples(st.floats(-1e4, 0.0), st.floats(0.5, 1e4))


@given(SPANS, st.integers(36, 140))
def test_the_scale_holds_its_span_and_its_ticks_fall_on_cells(span: tuple[float, float], cells: int) -> None:
    scale = choose_scale(*span, cells=cells)
    assert scale.holds(scale.cell(span[0]))
    assert scale.holds(scale.cell(span[1]))
    assert scale.cell(0.0) == scale.zero_cell
    apart = scale.tick_um / scale.um_per_cell
    assert apart == pytest.approx(round(apart), abs=1e-9)
    for number in range(-20, 20):
        assert scale.cell(number * scale.tick_um) == scale.zero_cell + number * round(apart)


@given(SPANS, st.integers(36, 140))
def test_ticks_are_1_2_or_5_times_a_power_of_ten(span: tuple[float, float], cells: int) -> None:
    tick_um = choose_scale(*span, cells=cells).tick_um
    leading = tick_um / 10 ** math.floor(math.log10(tick_um * (1 + 1e-9)))
    assert min(abs(leading - round_number) for round_number in (1, 2, 5)) < 1e-6


@given(SPANS, st.integers(60, 140))
def test_the_scale_wastes_less_than_half_of_its_width(span: tuple[float, float], cells: int) -> None:
    scale = choose_scale(*span, cells=cells)
    used = scale.cell(span[1]) - scale.cell(span[0]) + 1
    assert used >= (cells - 2 * EDGE) / 2


@given(st.floats(-50, 50), st.floats(0, 20))
def test_a_deeper_landing_never_lies_further_left(um: float, more_um: float) -> None:
    scale = choose_scale(-60.0, 60.0, cells=60)
    assert scale.cell(um) <= scale.cell(um + more_um)


@pytest.mark.parametrize("span", [(0.0, 0.0), (-math.inf, 3.0), (0.0, math.nan)])
def test_a_span_that_is_none_is_refused(span: tuple[float, float]) -> None:
    with pytest.raises(SheetError, match="No scale runs from"):
        choose_scale(*span, cells=60)
