"""The choice of shims, against every stack that could be built."""

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimwise.errors import RemedyError
from shimwise.remedy.shims import MOST_SHIMS, choose_shims

stocks = st.lists(st.integers(2, 120), min_size=1, max_size=4, unique=True)


def every_stack(stock: list[int]) -> list[tuple[int, ...]]:
    return [
        stack
        for count in range(MOST_SHIMS + 1)
        for stack in itertools.combinations_with_replacement(stock, count)
    ]


@settings(deadline=None)
@given(target=st.integers(0, 300), stock=stocks, tolerance=st.sampled_from([3, 6, 10, 30]))
def test_no_other_stack_is_shorter_or_equally_short_and_nearer(
    target: float, stock: list[int], tolerance: float
) -> None:
    choice = choose_shims(target, stock, tolerance_um=tolerance)
    assert set(choice.shims_um) <= set(stock)
    assert choice.leftover_um == pytest.approx(target - sum(choice.shims_um), abs=1e-9)
    near = [stack for stack in every_stack(stock) if 3 * abs(target - sum(stack)) <= tolerance]
    assert choice.is_within_share == bool(near)
    if near:
        best = min((len(stack), abs(target - sum(stack))) for stack in near)
        assert (len(choice.shims_um), abs(choice.leftover_um)) == pytest.approx(best)
    else:
        nearest = min(abs(target - sum(stack)) for stack in every_stack(stock))
        assert abs(choice.leftover_um) == pytest.approx(nearest)


def test_one_shim_that_is_near_enough_is_preferred_to_two_that_are_exact() -> None:
    assert choose_shims(23, [20, 21, 2], tolerance_um=10).shims_um == (21,)


def test_of_two_stacks_equally_near_the_thinner_is_taken() -> None:
    assert choose_shims(25, [24, 26], tolerance_um=10).shims_um == (24,)


def test_shims_are_listed_thickest_first() -> None:
    assert choose_shims(80, [10, 20, 50], tolerance_um=6).shims_um == (50, 20, 10)


def test_a_stock_of_thick_shims_only_is_left_alone_for_a_small_error() -> None:
    choice = choose_shims(12, [100], tolerance_um=10)
    assert choice.shims_um == ()
    assert choice.leftover_um == 12
    assert not choice.is_within_share


def test_fractions_of_a_micron_add_up_without_rounding_away_an_exact_stack() -> None:
    choice = choose_shims(
        38.1, [12.7, 25.4], tolerance_um=10
    )  # half a thousandth and a thousandth of an inch
    assert choice.shims_um == (25.4, 12.7)
    assert choice.leftover_um == 0


@pytest.mark.parametrize("target", [-1, math.nan, math.inf, 20_000])
def test_a_target_that_is_no_thickness_is_refused(target: float) -> None:
    with pytest.raises(RemedyError, match="cannot be shimmed"):
        choose_shims(target, [10], tolerance_um=10)


@pytest.mark.parametrize("tolerance", [0, -1, math.nan])
def test_a_tolerance_that_is_none_is_refused(tolerance: float) -> None:
    with pytest.raises(RemedyError, match="tolerance"):
        choose_shims(20, [10], tolerance_um=tolerance)


@pytest.mark.parametrize("thickness", [0, 0.5, -10, math.nan, math.inf, 2001])
def test_a_shim_that_cannot_be_is_refused_with_its_value(thickness: float) -> None:
    with pytest.raises(RemedyError, match=f"stock is {thickness:g} µm; it has to be 1 or more"):
        choose_shims(20, [10, thickness], tolerance_um=10)


def test_a_stock_of_too_many_thicknesses_is_refused() -> None:
    with pytest.raises(RemedyError, match="30 thicknesses; at most 24"):
        choose_shims(20, range(1, 31), tolerance_um=10)
