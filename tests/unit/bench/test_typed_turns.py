"""Places of a screw as they are typed, and the positions of a sweep along it."""

import pytest

from shimwise.bench.errors import InputError
from shimwise.bench.sweep.moves import Moves, positions_of
from shimwise.bench.typed_turns import read_screw_place


@pytest.mark.parametrize(
    ("text", "turns"),
    [
        ("0.10", 0.1),
        ("−0.05", -0.05),
        ("+.25", 0.25),
        ("0", 0.0),
        ("0,5 turn", 0.5),
        ("36° clockwise", 0.1),
        ("90 deg anticlockwise", -0.25),
        ("-18°", -0.05),
        ("0.2 ccw", -0.2),
    ],
)
def test_a_place_of_a_screw_is_turns_from_its_nought_clockwise_positive(text: str, turns: float) -> None:
    assert read_screw_place(text, field="at") == pytest.approx(turns)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "is no place of a screw"),
        ("a bit", "is no place of a screw"),
        ("--0.1", "is no place of a screw"),
        ("nan", "is no place of a screw"),
        ("-36° clockwise", "says twice which way"),
        ("36", "up to 20 turns either way"),
    ],
)
def test_what_is_no_place_of_a_screw_is_refused_in_words(text: str, reason: str) -> None:
    with pytest.raises(InputError, match=reason) as told:
        read_screw_place(text, field="at")
    assert told.value.field == "at"


def test_a_sweep_along_the_screw_is_listed_by_turns_or_by_a_first_place_and_a_step() -> None:
    listed = Moves(moved="screw", at=["36° anticlockwise", "0", "0.1"])
    assert positions_of(listed, 3) == pytest.approx([-0.1, 0.0, 0.1])
    stepped = Moves(moved="screw", first="36° anticlockwise", step="18°")
    assert positions_of(stepped, 4) == pytest.approx([-0.1, -0.05, 0.0, 0.05])
    with pytest.raises(InputError, match="all lie at one place"):
        positions_of(Moves(moved="screw", first="0", step="0"), 3)
