"""What is typed for a reading: full, on, short or deep by some amount."""

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.bench.errors import InputError
from shimwise.bench.typed_lengths import typed_distance, typed_reading
from shimwise.lengths import length_to_mm, mm_to_feet_text

THREE_FEET = typed_distance("3'")


@pytest.mark.parametrize(
    ("typed", "text", "mm"),
    [
        ('short by 1/4"', "2' 11 3/4\"", 36 * 25.4 - 6.35),
        ("deep by 1/4 in", "3' 1/4\"", 36 * 25.4 + 6.35),
        ('Short 1"', "2' 11\"", 35 * 25.4),
        ("deep by 5 mm", "919.4 mm", 919.4),
        ("on", "3'", 914.4),
        ("On the mark", "3'", 914.4),
        ("  2'  11   1/2\" ", "2' 11 1/2\"", 35.5 * 25.4),
        ("INF", "INF", math.inf),
    ],
)
def test_a_reading_is_a_length_the_mark_or_an_offset_from_it(typed: str, text: str, mm: float) -> None:
    found = typed_reading(typed, distance=THREE_FEET)
    assert found.text == text
    assert found.mm == pytest.approx(mm, abs=1e-9)


@given(
    eighths=st.integers(min_value=1, max_value=8 * 30),
    way=st.sampled_from(["short", "deep"]),
    feet=st.integers(min_value=3, max_value=40),
)
def test_what_an_offset_is_written_as_reads_back_as_the_same_length(
    eighths: int, way: str, feet: int
) -> None:
    distance = typed_distance(f"{feet}'")
    amount = mm_to_feet_text(eighths * 25.4 / 8, denominator=8)
    found = typed_reading(f"{way} by {amount}", distance=distance)
    assert length_to_mm(found.text) == found.mm
    assert abs(found.mm - distance.mm) == pytest.approx(eighths * 25.4 / 8, abs=1e-9)
    assert (found.mm < distance.mm) == (way == "short")


@pytest.mark.parametrize(
    ("typed", "distance", "match"),
    [
        ("short by 4'", "3'", "short by more than the 3' that are taped"),
        ('deep by 1/4"', "INF", "counts from infinity"),
        ("deep by INF", "3'", "off by infinity"),
        ("short by", "3'", "nothing is written"),
        ("12", "3'", "the number has no unit"),
        ("20000 m", "3'", "accepted is up to 10 km"),
        ("shortly", "3'", "is no length"),
    ],
)
def test_what_means_nothing_is_refused_with_what_was_typed(typed: str, distance: str, match: str) -> None:
    with pytest.raises(InputError, match=match) as told:
        typed_reading(typed, distance=typed_distance(distance))
    assert told.value.field == "reading_text"
    assert told.value.typed == typed


@given(st.text(max_size=40))
def test_no_text_at_all_makes_it_fail_otherwise(text: str) -> None:
    with suppress(InputError):
        assert typed_reading(text, distance=THREE_FEET).mm > 0
