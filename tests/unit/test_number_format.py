"""One rule for numbers, wherever they are written."""

import math

import pytest

from shimwise import number_format
from shimwise.inference.verdict.answer import BodyAnswer, Verdict
from shimwise.inference.verdict.headline import unit_sentence
from shimwise.remedy.advice import advise_body
from shimwise.sheets.words.landing_words import landing_text
from shimwise.sheets.words.notices import joined_text
from shimwise.sheets.words.shared import error_text
from shimwise.web.pages import view


@pytest.mark.parametrize(
    ("value", "half", "text"),
    [
        (-16.4, 12.5, "−16 ± 13"),
        (-16.5, 13.5, "−17 ± 14"),
        (0.25, 1.95, "+0.3 ± 2.0"),
        (12.0, 0.0133, "+12.00 ± 0.01"),
        (0.2, 40.0, "0 ± 40"),
        (math.nan, 3.0, "not known"),
    ],
)
def test_a_value_and_its_half_are_written_alike_with_halves_away_from_nought(
    value: float, half: float, text: str
) -> None:
    assert number_format.plus_minus_text(value, half) == text


def test_one_value_is_the_same_in_the_sentence_the_table_the_page_and_the_advice() -> None:
    # The interval of a mixture is no multiple of its standard deviation: 1.96 × 6.36 would be ± 12.
    unit = BodyAnswer(
        name="P25",
        error_um=-15.5,
        sd_um=6.36,
        low_um=-28.0,
        high_um=-3.0,
        p_out=0.9,
        verdict=Verdict.OUT_SHORT,
        tolerance_um=10.0,
    )
    assert "by 16 µm, give or take 13 (95 %)" in unit_sentence(unit)
    assert error_text(unit) == "−16 ± 13"
    assert view.error(unit.error_um, 12.5) == "−16 ± 13 µm"
    remedy = advise_body(unit)
    assert remedy is not None
    assert "short by 16 ± 13 µm (95 %)" in joined_text(remedy.advice)
    assert "move 16 µm" in joined_text(remedy.advice)


@pytest.mark.parametrize(
    ("um", "words", "side"), [(-0.5, "1 µm short", "short"), (0.49, "on the mark", "on")]
)
def test_what_is_on_the_mark_in_words_is_nought_in_figures(um: float, words: str, side: str) -> None:
    assert landing_text(um) == words
    assert view.way(um) == side
    assert number_format.is_nought(um) is (side == "on")


def test_thousands_are_parted_where_pages_and_sentences_part_them() -> None:
    assert number_format.signed_text(-4384.2, comma=True) == "−4,384"
    assert number_format.signed_text(-4384.2) == "−4384"
    assert number_format.signed_text(-0.2, comma=True) == "0"
