"""The shim stock with counts, against every stack that it could build."""

import itertools
import math
from collections import Counter
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimwise.errors import RemedyError
from shimwise.remedy.shims import MOST_SHIMS, choose_shims
from shimwise.remedy.stock import ShimStock, choose_from_stock, restack

counts = st.dictionaries(st.integers(2, 120), st.integers(0, 3), min_size=1, max_size=4)


def every_stack(held: dict[int, int]) -> list[tuple[int, ...]]:
    shims = list(Counter(held).elements())
    return [
        stack
        for count in range(MOST_SHIMS + 1)
        for stack in set(itertools.combinations(sorted(shims), count))
    ]


@settings(deadline=None)
@given(target=st.integers(0, 300), held=counts, tolerance=st.sampled_from([3, 6, 10, 30]))
def test_no_other_stack_at_hand_is_shorter_or_equally_short_and_nearer(
    target: int, held: dict[int, int], tolerance: float
) -> None:
    stock = ShimStock.of(held)
    choice = choose_from_stock(target, stock, tolerance_um=tolerance)
    stock.used(choice.shims_um)  # it holds them
    assert choice.leftover_um == pytest.approx(target - sum(choice.shims_um), abs=1e-9)
    near = [stack for stack in every_stack(held) if 3 * abs(target - sum(stack)) <= tolerance]
    assert choice.is_within_share == bool(near)
    if near:
        best = min((len(stack), abs(target - sum(stack))) for stack in near)
        assert (len(choice.shims_um), abs(choice.leftover_um)) == pytest.approx(best)
    else:
        nearest = min(abs(target - sum(stack)) for stack in every_stack(held))
        assert abs(choice.leftover_um) == pytest.approx(nearest)


@given(target=st.integers(0, 300), held=counts)
def test_with_what_was_ordered_the_choice_is_as_good_as_from_an_endless_stock(
    target: int, held: dict[int, int]
) -> None:
    stock = ShimStock.of(held)
    choice = choose_from_stock(target, stock, tolerance_um=10)
    delivered = stock.added(Counter(dict(choice.order)).elements())
    endless = choose_shims(target, stock.thicknesses_um, tolerance_um=10)
    again = choose_from_stock(target, delivered, tolerance_um=10)
    assert len(again.shims_um) == len(endless.shims_um)
    assert abs(again.leftover_um) == pytest.approx(abs(endless.leftover_um))
    assert again.order == ()


@given(held=counts, put=st.lists(st.sampled_from([10.0, 25.0, 40.0]), max_size=6))
def test_what_is_put_in_and_used_again_leaves_the_stock_as_it_was(
    held: dict[int, int], put: list[float]
) -> None:
    stock = ShimStock.of(held)
    after = stock.added(put).used(put)
    assert {size: after.count(size) for size in held} == {size: stock.count(size) for size in held}
    assert sum(count for _, count in after.counts) == sum(count for _, count in stock.counts)


@given(
    stack=st.lists(st.sampled_from([10.0, 25.0, 40.0]), max_size=4),
    change=st.integers(-60, 120),
    held=counts,
)
def test_a_restacked_mount_loses_and_gains_no_shim(
    stack: list[float], change: int, held: dict[int, int]
) -> None:
    if math.fsum(stack) + change < 0:
        with pytest.raises(RemedyError, match="cannot be taken from"):
            restack(stack, change, ShimStock.of(held), tolerance_um=10)
        return
    stock = ShimStock.of(held)
    found = restack(stack, change, stock, tolerance_um=10)
    assert Counter(stack) + Counter(found.put_in_um) - Counter(found.taken_out_um) == Counter(
        found.choice.shims_um
    )
    assert not set(found.put_in_um) & set(found.taken_out_um)
    after = stock.used(found.put_in_um).added(found.taken_out_um)
    total = sum(size * n for size, n in after.counts) + sum(found.choice.shims_um)
    assert total == pytest.approx(sum(size * n for size, n in stock.counts) + sum(stack))


def test_a_short_stock_says_what_to_order() -> None:
    stock = ShimStock.of({10: 3, 30: 0, 50: 1})
    choice = choose_from_stock(30, stock, tolerance_um=10)
    assert choice.shims_um == (10, 10, 10)
    assert choice.order == ((30, 1),)
    left = stock.used(choice.shims_um)
    assert left.to_order() == ((10, 2), (30, 2), (50, 1))
    assert choose_from_stock(30, left, tolerance_um=10).is_within_share is False


def test_an_amount_within_a_third_of_the_tolerance_needs_no_shim() -> None:
    choice = choose_from_stock(3, ShimStock.of({3: 5}), tolerance_um=10)
    assert (choice.shims_um, choice.leftover_um, choice.order) == ((), 3, ())


def test_the_largest_stock_is_weighed_at_once() -> None:
    stock = ShimStock.of({7 + 11.3 * i + 0.37 * i**2: 5 for i in range(24)})
    choice = choose_from_stock(400, stock, tolerance_um=1)
    assert abs(choice.leftover_um) <= 1 / 3


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ShimStock.of({10: -1}), "has -1 of 10 µm"),
        (lambda: ShimStock.of({0.5: 1}), "a shim of the stock is 0.5"),
        (lambda: ShimStock(((20, 1), (10, 1))), "have to rise"),
        (lambda: ShimStock.of({10: 1}).used([10, 10]), "holds 1 of 10 µm, 2 were to be used"),
        (lambda: ShimStock.of({10: 1}).used([12]), "holds 0 of 12 µm"),
        (lambda: choose_from_stock(math.nan, ShimStock(), tolerance_um=10), "nan µm cannot be shimmed"),
        (lambda: choose_from_stock(10, ShimStock(), tolerance_um=0), "tolerance is 0"),
        (lambda: restack([10.0], math.inf, ShimStock(), tolerance_um=10), "change of inf"),
    ],
)
def test_an_impossible_stock_or_use_is_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(RemedyError, match=words):
        call()
