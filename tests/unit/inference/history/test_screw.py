"""What is learned of a screw, against least squares, simulation and the rules of a first move."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimwise.errors import InferenceError
from shimwise.inference.history.screw import (
    MOST_EXCURSION_UM,
    ScrewMove,
    learn,
    travel_of,
    turns_for,
    unknown_screw,
)
from shimwise.remedy.mechanism import Screw, Turn
from shimwise.remedy.screw_history import ScrewHistory


def made(turns: float, change_um: float, *, sd_um: float = 2.0, changed: bool | None = False) -> ScrewMove:
    return ScrewMove(
        turns=turns,
        approach_changed=changed,
        before_um=-20.0,
        before_sd_um=sd_um / math.sqrt(2),
        after_um=-20.0 + change_um,
        after_sd_um=sd_um / math.sqrt(2),
    )


@st.composite
def moves(draw: st.DrawFn) -> list[ScrewMove]:
    """Up to three moves of one screw, as it could have made them."""
    travel, play = draw(st.floats(100, 600)), draw(st.floats(0, 10))
    found = []
    for turns in draw(st.lists(st.floats(0.05, 0.5) | st.floats(-0.5, -0.05), max_size=3)):
        changed = draw(st.booleans())
        sd_um = draw(st.floats(2, 15))
        way = max(travel * abs(turns) - play * changed, 0.0) + sd_um * draw(st.floats(-2, 2))
        told = draw(st.sampled_from([changed, None]))
        found.append(made(turns, math.copysign(1, turns) * way, sd_um=sd_um, changed=told))
    return found


def test_many_moves_give_what_least_squares_gives() -> None:
    # Without play the change is a line through zero: slope Σtδ/Σt², sd s/√Σt²; s: readings, settling, angle.
    rng = np.random.default_rng(4)
    turns = rng.uniform(0.1, 0.4, 8) * rng.choice([-1, 1], 8)
    noise_um = math.hypot(4, 1, 320 * 1.5 / 360)
    changes = 320 * turns + rng.normal(0, noise_um, 8)
    found = learn(unknown_screw(), [made(t, c, sd_um=4) for t, c in zip(turns, changes, strict=True)])
    slope, slope_sd = turns @ changes / (turns @ turns), noise_um / math.sqrt(turns @ turns)
    assert found.um_per_turn == pytest.approx(slope, abs=0.2 * slope_sd)
    assert found.um_per_turn_sd == pytest.approx(slope_sd, rel=0.1)
    assert found.count == 8


def test_moves_to_and_fro_tell_the_play() -> None:
    there, back = made(0.2, 0.2 * 250 - 6), made(-0.2, -(0.2 * 250 - 6))
    moves = [replace(one, approach_changed=True) for one in (there, back)] * 6 + [made(0.4, 100)] * 6
    found = learn(unknown_screw(), moves)
    assert found.um_per_turn == pytest.approx(250, abs=3)
    assert found.backlash_mean_um == pytest.approx(6, abs=1)
    assert found.backlash_sd_um < 1


@pytest.mark.slow
def test_intervals_hold_for_screws_drawn_from_common_practice() -> None:
    rng = np.random.default_rng(6)
    held = []
    for _ in range(400):
        travel, play = np.exp(rng.uniform(math.log(100), math.log(600))), rng.uniform(0, 10)
        moves = []
        for turns in rng.uniform(0.08, 0.25, 2):
            changed = bool(rng.random() < 0.5)
            change = max(travel * turns - play * changed, 0) + rng.normal(
                0, math.hypot(3, 1, travel * 1.5 / 360)
            )
            moves.append(made(turns, change, sd_um=3, changed=None if rng.random() < 0.5 else changed))
        low, high = learn(unknown_screw(), moves).um_per_turn_interval()
        held.append(low <= travel <= high)
    assert 0.92 < np.mean(held) < 0.99


@settings(deadline=None)
@given(moves())
def test_the_order_of_moves_does_not_matter(made_moves: list[ScrewMove]) -> None:
    one = learn(unknown_screw(p_sense=0.5), made_moves)
    other = learn(unknown_screw(p_sense=0.5), made_moves[::-1])
    step = unknown_screw(p_sense=0.5)
    for move in made_moves:
        step = learn(step, [move])
    assert one.um_per_turn == pytest.approx(other.um_per_turn, rel=1e-6)
    assert one.um_per_turn == pytest.approx(step.um_per_turn, rel=1e-4)


@settings(deadline=None)
@given(moves(), st.floats(1, 80))
def test_a_change_the_other_way_is_the_same_turn_the_other_way(
    made_moves: list[ScrewMove], change: float
) -> None:
    known = learn(unknown_screw(), made_moves)
    up, down = turns_for(known, change), turns_for(known, -change)
    assert up.turns == pytest.approx(-down.turns)
    assert up.travel.mean_um == pytest.approx(-down.travel.mean_um)
    assert up.turns_sd == pytest.approx(down.turns_sd)


@pytest.mark.slow
@settings(deadline=None)
@given(st.floats(12, 90), st.sampled_from([1.0, 0.5]))
def test_a_first_move_is_small_and_stays_near_the_way(change: float, p_sense: float) -> None:
    unknown = unknown_screw(p_sense=p_sense)
    advice = turns_for(unknown, change)
    assert advice.is_trial
    rng = np.random.default_rng(1)
    travel = np.exp(rng.normal(math.log(245), 0.55, 20_000))  # the prior, drawn
    position = advice.turns * travel * np.where(rng.random(20_000) < p_sense, 1, -1)
    outside = np.maximum(-position, position - change)
    assert np.mean(outside > MOST_EXCURSION_UM) < 0.06
    assert abs(advice.turns) * 600 > 10  # and large enough to be seen on a coarse screw


def test_a_first_move_is_called_so_only_where_it_is_less_than_the_whole_way() -> None:
    entered = ScrewHistory(screw=Screw(um_per_turn=260.0, um_per_turn_sd=52.0, away=Turn.CLOCKWISE))
    advice = turns_for(entered.known(), 24.0)
    assert advice.is_trial
    assert advice.is_whole
    assert 0.8 * 24 < 260 * advice.turns < 1.1 * 24
    far = turns_for(unknown_screw(p_sense=1.0), 300.0)
    assert far.is_trial
    assert not far.is_whole


def test_what_a_first_move_teaches_makes_the_second_a_whole_one() -> None:
    first = turns_for(unknown_screw(), 40.0)
    known = learn(unknown_screw(), [made(first.turns, 300 * first.turns, sd_um=2.5)])
    left = 40 - 300 * first.turns
    second = turns_for(known, left)
    assert first.is_trial
    assert not second.is_trial
    assert abs(left - 300 * second.turns) < 3


def test_a_sense_that_is_not_known_is_learned_from_one_move() -> None:
    found = learn(unknown_screw(p_sense=0.5), [made(0.12, -30, sd_um=4)])
    assert found.p_sense < 0.001
    assert turns_for(found, 20).turns < 0


def test_a_whole_move_beats_any_other_in_expected_square() -> None:
    known = learn(unknown_screw(), [made(0.2, 50, sd_um=2), made(-0.2, -46, changed=True)])
    best = turns_for(known, 30, approach_changed=True)

    def loss(turns: float) -> float:
        return float(known.share @ (known.changes_um(turns, approach_changed=True) - 30) ** 2)

    assert all(loss(best.turns) <= loss(best.turns * factor) for factor in (0.9, 0.97, 1.03, 1.1))


def test_what_two_errors_have_in_common_is_no_uncertainty_of_their_change() -> None:
    move = replace(made(0.1, 30), before_sd_um=5.0, after_sd_um=5.0, shared_sd_um=4.0)
    assert move.change_sd_um == pytest.approx(math.sqrt(2 * (25 - 16)))


def test_a_move_made_of_its_change_keeps_it() -> None:
    move = ScrewMove.of_change(turns=0.1, approach_changed=None, change_um=-12.0, change_sd_um=3.0)
    assert (move.change_um, move.change_sd_um) == (-12.0, pytest.approx(3.0))


def test_an_uncertain_side_is_half_of_each() -> None:
    known = learn(unknown_screw(), [made(0.3, 90)] * 20)
    same, other, unsure = (travel_of(known, 0.2, approach_changed=side) for side in (False, True, None))
    assert unsure.mean_um == pytest.approx((same.mean_um + other.mean_um) / 2)
    assert unsure.sd_um > max(same.sd_um, 1)
    assert same.mean_um - other.mean_um == pytest.approx(known.backlash_mean_um, rel=0.02)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: unknown_screw(p_sense=1.5), "probability of the sense is 1.5"),
        (lambda: learn(unknown_screw(), [made(0, 1)]), "no turns carries no information"),
        (lambda: learn(unknown_screw(), [made(math.nan, 1)]), "number of the move is nan"),
        (lambda: learn(unknown_screw(), [made(1, 1, sd_um=0)]), "have to be above 0"),
        (
            lambda: learn(unknown_screw(), [replace(made(1, 1), shared_sd_um=3.0)]),
            "between 0 and the lesser",
        ),
        (lambda: learn(unknown_screw(), [made(0.2, -30)]), "0.20 turn changed the error by -30 ± 2"),
        (lambda: turns_for(unknown_screw(), math.inf), "change wanted is inf"),
        (lambda: turns_for(unknown_screw(), 10, reread_sd_um=0), "re-check's uncertainty is 0"),
        (lambda: travel_of(unknown_screw(), math.nan), "number of turns is nan"),
    ],
)
def test_impossible_moves_are_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(InferenceError, match=words):
        call()
