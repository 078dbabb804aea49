"""A set-up taped anew takes the place of the first one, which is no fault of the bench any more."""

from dataclasses import replace

import pytest

from shimwise.inference.model.prep import Reading
from shimwise.inference.verdict.answer import SetupAnswer
from shimwise.inference.verdict.taped_anew import with_replaced
from shimwise.remedy.advice import advise_setup

SETUPS = (
    SetupAnswer(name="A at 6 ft", error_mm=24.0, sd_mm=3.0, p_out=0.99),
    SetupAnswer(name="A at 6 ft, anew", error_mm=0.5, sd_mm=3.0, p_out=0.02),
)


def readings(*rows: tuple[str, str, float]) -> list[Reading]:
    return [
        Reading(
            row=row,
            line=row + 2,
            body=body,
            lens="L",
            focal_mm=50.0,
            fnumber=2.0,
            distance_mm=distance_mm,
            reading_mm=distance_mm,
            setup=setup,
        )
        for row, (setup, body, distance_mm) in enumerate(rows)
    ]


FIRST, ANEW = ("A at 6 ft", "A", 1828.8), ("A at 6 ft, anew", "A", 1828.8)


def test_the_later_sound_tape_of_the_same_distance_replaces_the_first() -> None:
    evidence = readings(FIRST, FIRST, ANEW)
    first, anew = with_replaced(SETUPS, evidence, [one.setup for one in evidence])
    assert (first.replaced_by, anew.replaced_by) == ("A at 6 ft, anew", "")
    assert advise_setup(SETUPS[0]) is not None
    assert advise_setup(first) is None


def test_a_body_that_was_adjusted_between_is_the_same_body_at_the_tape() -> None:
    evidence = readings(("A at 6 ft", "A before adjustment 1", 1828.8), ANEW)
    assert with_replaced(SETUPS, evidence, [one.setup for one in evidence])[0].replaced_by


@pytest.mark.parametrize(
    "later",
    [("A at 6 ft, anew", "A", 3657.6), ("A at 6 ft, anew", "B", 1828.8)],
    ids=["another distance", "another body"],
)
def test_another_distance_or_body_replaces_nothing(later: tuple[str, str, float]) -> None:
    evidence = readings(FIRST, later)
    assert not with_replaced(SETUPS, evidence, [one.setup for one in evidence])[0].replaced_by


def test_neither_an_earlier_nor_a_wrong_tape_replaces_one() -> None:
    evidence = readings(ANEW, FIRST)
    names = [one.setup for one in evidence]
    assert not with_replaced(SETUPS, evidence, names)[0].replaced_by
    wrong = (SETUPS[0], replace(SETUPS[1], p_out=0.9))
    evidence = readings(FIRST, ANEW)
    assert not with_replaced(wrong, evidence, [one.setup for one in evidence])[0].replaced_by
