"""Agreement of a landing with the others: thresholds computed by hand, and words."""

import pytest

from shimwise.bench.prep.agreement import agreement_of, landing_words
from shimwise.inference.verdict.expected_landing import Expected, ReadingLanding

LANDING = ReadingLanding(um=-20.0, sd_um=6.0, focal_mm=50.0, m=0.06)


@pytest.mark.parametrize(
    ("um", "kind", "words"),
    [
        (-20.0, "agrees", "agrees with the others"),
        (-38.0, "agrees", "agrees with the others"),
        (-42.0, "apart", "22 µm shorter than the others say: read it again"),
        (2.0, "apart", "22 µm deeper than the others say: read it again"),
    ],
)
def test_a_landing_more_than_three_uncertainties_off_is_apart(um: float, kind: str, words: str) -> None:
    # The uncertainty of the difference is 6.1 um, so the border lies 3.1 x 6.1 = 18.9 um off.
    landing = ReadingLanding(um=um, sd_um=6.0, focal_mm=50.0, m=0.06)
    found = agreement_of(landing, Expected(um=-20.0, sd_um=1.0, is_paired=True))
    assert (found.kind, found.words) == (kind, words)


def test_the_verdicts_own_weight_decides_where_there_is_one() -> None:
    expected = Expected(um=-20.0, sd_um=1.0, is_paired=True)
    far = ReadingLanding(um=30.0, sd_um=6.0, focal_mm=50.0, m=0.06)
    assert agreement_of(far, expected, weight=0.9).kind == "agrees"
    assert agreement_of(far, expected, weight=0.1).kind == "apart"


def test_a_first_reading_is_called_so() -> None:
    assert agreement_of(LANDING, None).kind == "first"


@pytest.mark.parametrize(
    ("um", "words"),
    [(-14.2, "14 µm short"), (1234.0, "1,234 µm deep"), (0.4, "on the mark"), (-0.4, "on the mark")],
)
def test_a_landing_is_said_with_its_way(um: float, words: str) -> None:
    assert landing_words(um) == words
