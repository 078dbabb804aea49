"""The crossed piece of a house's readings: the largest that is balanced, or none that would be a study."""

from itertools import product

import numpy as np
import pytest

from shimwise.inference.repeatability.gauge_study import largest_crossed_study, overlap
from shimwise.inference.repeatability.pooled import gauge_study

Cells = dict[tuple[str, str], list[float]]


def crossed(persons: str, parts: str, trials: int, *, seed: int = 1) -> Cells:
    """Give readings of every person of every part."""
    rng = np.random.default_rng(seed)
    return {pair: rng.normal(0, 1, trials).tolist() for pair in product(persons, parts)}


def test_a_whole_crossed_study_is_taken_whole() -> None:
    cells = crossed("ABC", "uvwxy", 3)
    found = largest_crossed_study(cells)
    assert found is not None
    assert (found.persons, found.parts, found.trials) == (("A", "B", "C"), tuple("uvwxy"), 3)
    assert list(found.values[1][2]) == cells["B", "w"]


def test_what_is_not_balanced_is_left_out() -> None:
    cells = crossed("ABC", "uvwxyz", 2)
    cells["A", "u"].append(9.0)  # a third reading of one sight
    del cells["C", "x"], cells["C", "y"], cells["C", "z"]
    found = largest_crossed_study(cells)
    assert found is not None
    # A and B on six sights (24 readings) are more than A, B and C on three (18).
    assert (found.persons, len(found.parts), found.trials) == (("A", "B"), 6, 2)
    assert 9.0 not in np.ravel(found.values)


def test_the_piece_can_be_studied_and_finds_what_was_put_in() -> None:
    rng = np.random.default_rng(4)
    parts = {part: rng.normal(0, 10) for part in "abcdefghijkl"}
    persons = {"A": -3.0, "B": 0.0, "C": 3.0}
    cells = {
        (name, part): [parts[part] + persons[name] + rng.normal(0, 1) for _ in range(3)]
        for name, part in product(persons, parts)
    }
    found = largest_crossed_study(cells)
    assert found is not None
    assert not found.is_small
    study = gauge_study(found.values)
    assert study.repeatability_sd == pytest.approx(1, rel=0.15)
    assert study.reproducibility_sd == pytest.approx(3, rel=0.1)


@pytest.mark.parametrize(
    ("cells", "there"),
    [
        ({}, (0, 0)),
        (crossed("A", "uvwxy", 3), (1, 0)),
        (crossed("AB", "uv", 3), (2, 2)),
        (crossed("AB", "uvwxy", 1), (0, 0)),
        (crossed("A", "uvw", 2) | crossed("B", "xyz", 2), (2, 0)),
    ],
)
def test_readings_that_are_no_study_are_told_as_what_they_are(cells: Cells, there: tuple[int, int]) -> None:
    assert largest_crossed_study(cells) is None
    assert overlap(cells) == there


def test_the_piece_is_found_at_once_among_many_persons_and_sights() -> None:
    rng = np.random.default_rng(2)
    persons, parts = [f"P{i}" for i in range(30)], [f"s{i}" for i in range(200)]
    cells = {pair: [0.0, 1.0] for pair in product(persons, parts) if rng.random() < 0.3}
    found = largest_crossed_study(cells)
    assert found is not None
    for name, part in product(found.persons, found.parts):
        assert len(cells[name, part]) == found.trials
