"""The marks of a lens's scale: typed, listed, kept, and used by the judge."""

import math

import pytest

from shimwise.bench.errors import InputError
from shimwise.bench.house.scale_marks import marks_text, typed_marks

FT = 304.8


@pytest.mark.parametrize(
    ("typed", "marks_mm"),
    [
        ("2', 3', 4', 6', 10', INF", (2 * FT, 3 * FT, 4 * FT, 6 * FT, 10 * FT, math.inf)),
        ("2'|3' 6\"|INF", (2 * FT, 3.5 * FT, math.inf)),
        ("0,6 m; 0,8 m; 1,2 m", (600, 800, 1200)),
        ("0,6 m, 1 m, INF", (600, 1000, math.inf)),
        ("", ()),
    ],
)
def test_marks_are_read_as_they_are_typed(typed: str, marks_mm: tuple[float, ...]) -> None:
    assert typed_marks(typed) == pytest.approx(marks_mm)


@pytest.mark.parametrize("unit", ["ft", "m"])
def test_marks_that_are_written_read_back_the_same(unit: str) -> None:
    marks_mm = (600.0, 2 * FT, 1000.0, 1016.3, 10 * FT, math.inf)
    assert typed_marks(marks_text(marks_mm, unit)) == marks_mm


def test_a_mark_that_is_no_length_is_refused_in_words() -> None:
    with pytest.raises(InputError, match="is no length"):
        typed_marks("2', three, 4'")
