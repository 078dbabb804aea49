"""Positions of the frames of a sweep, as a person states what moved."""

import math

import pytest

from shimwise.bench.errors import InputError
from shimwise.bench.sweep.moves import Moves, positions_of


def test_ring_and_chart_may_be_at_infinity_where_all_positions_are_listed() -> None:
    listed = Moves(moved="ring", at=["6 ft", "30 ft", "INF"])
    assert positions_of(listed, 3) == [pytest.approx(1828.8), pytest.approx(9144.0), math.inf]


@pytest.mark.parametrize(
    ("moves", "field", "reason"),
    [
        (Moves(moved="ring", first="6 ft", step="abc"), "step", "is no length at character 1: a number"),
        (Moves(moved="chart", first="INF", step="10"), "first", "is infinite"),
        (Moves(moved="chart", first="2 m", step="INF"), "step", "is infinite"),
        (Moves(moved="ring", at=["2 m", "99999 ft"]), "at", "accepted is up to 10 km"),
        (Moves(moved="sensor", first="-60", step="inf"), "step", "is infinite"),
        (Moves(moved="sensor", at=["0", "nan"]), "at", "is no number"),
        (Moves(moved="sensor", at=["0", "ten"]), "at", "is no number"),
        (Moves(moved="chart", first="30", step="-20"), "step", "is too large"),
    ],
)
def test_what_is_no_position_is_refused_once_and_with_its_field(
    moves: Moves, field: str, reason: str
) -> None:
    with pytest.raises(InputError, match=reason) as refused:
        positions_of(moves, 2 if moves.at else 3)
    assert refused.value.field == field
    assert "[" not in refused.value.reason  # what was typed is named by whoever shows the reason
