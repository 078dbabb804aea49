"""Mechanisms: what is impossible is refused when it is written down, not when it is turned."""

import math

import pytest

from shimwise.errors import RemedyError
from shimwise.remedy.mechanism import Screw, ShimmedMount, Turn


def test_the_opposite_of_the_opposite_turn_is_the_turn() -> None:
    assert [turn.opposite.opposite for turn in Turn] == list(Turn)
    assert Turn.CLOCKWISE.opposite is Turn.ANTICLOCKWISE


@pytest.mark.parametrize("travel", [0, -350, math.nan, math.inf, 1e6])
def test_a_screw_without_a_possible_travel_is_refused(travel: float) -> None:
    with pytest.raises(RemedyError, match=r"um_per_turn is .* above 0 and at most 5000"):
        Screw(um_per_turn=travel)


@pytest.mark.parametrize("play", [-1, math.nan])
def test_a_negative_play_is_refused(play: float) -> None:
    with pytest.raises(RemedyError, match=r"backlash_um is .* 0 or more"):
        Screw(backlash_um=play)


def test_an_uncertain_travel_without_the_travel_is_refused() -> None:
    with pytest.raises(RemedyError, match="um_per_turn_sd is given without um_per_turn"):
        Screw(um_per_turn_sd=10)


def test_a_shimmed_mount_refuses_an_impossible_stock() -> None:
    with pytest.raises(RemedyError, match="stock is -10 µm"):
        ShimmedMount(stock_um=(10, -10))
