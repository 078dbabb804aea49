"""A landing in words, and how it compares with the others."""

import pytest

from shimwise.inference.verdict.expected_landing import Agreement, AgreementKind
from shimwise.sheets.words.landing_words import agreement_text, landing_text


@pytest.mark.parametrize(
    ("um", "words"),
    [(-14.2, "14 µm short"), (1234.0, "1,234 µm deep"), (0.4, "on the mark"), (-0.4, "on the mark")],
)
def test_a_landing_is_named_with_its_way(um: float, words: str) -> None:
    assert landing_text(um) == words


@pytest.mark.parametrize(
    ("off_um", "is_paired", "words"),
    [
        (-22.0, True, "22 µm shorter than the others say: read it again"),
        (22.0, True, "22 µm deeper than the others say: read it again"),
        (22.0, False, "22 µm deeper than body and lens should land: read it again"),
    ],
)
def test_a_landing_apart_is_named_with_how_far(off_um: float, is_paired: bool, words: str) -> None:
    found = Agreement(kind=AgreementKind.APART, off_um=off_um, is_paired=is_paired)
    assert agreement_text(found) == words


def test_a_first_landing_and_one_that_agrees_are_named_so() -> None:
    assert agreement_text(Agreement(kind=AgreementKind.FIRST)) == "the first of this lens on this body"
    assert agreement_text(Agreement(kind=AgreementKind.AGREES)) == "agrees with the others"
