import csv
import math
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import LengthError
from shimwise.lengths import (
    ACCEPTED_FORMS,
    LengthTextError,
    length_to_mm,
    mm_to_feet_text,
    mm_to_metric_text,
    parse_length,
)

REFERENCE = Path(__file__).parents[1] / "reference"
INCH = Fraction(254, 10)  # international yard and pound agreement, 1959: 1 in = 25.4 mm, exact
FOOT = 12 * INCH


def table(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table("lengths.csv"), ids=lambda row: row["text"])
def test_every_form_of_the_table_is_read_to_the_exact_millimetre(row: dict[str, str]) -> None:
    expected = math.inf if row["mm"] == "inf" else Fraction(row["mm_fraction"])
    assert parse_length(row["text"]) == expected
    assert length_to_mm(row["text"]) == float(row["mm"])


@pytest.mark.parametrize("row", table("lengths_malformed.csv"), ids=lambda row: row["text"] or "empty")
def test_every_malformed_line_of_the_table_is_refused_with_text_and_accepted_forms(
    row: dict[str, str],
) -> None:
    with pytest.raises(LengthTextError) as caught:
        parse_length(row["text"])
    assert f"[{row['text']}]" in str(caught.value)
    assert ACCEPTED_FORMS in str(caught.value)
    assert caught.value.text == row["text"]


THREE_FEET = ["3'", "3 ft", "3ft", "3 FT", "3 feet", "3 Foot", "36 in", "36''", "36”", "0 ft 36 in"]


@pytest.mark.parametrize(
    "text",
    [*THREE_FEET, "3’", "3‘", "3′", "3´", "３＇", "３ ｆｔ", " 3\u00a0ft\t", "3\u2009'", "3 ft.", "914.4mm"],
)
def test_three_feet_in_the_signs_of_any_keyboard_are_one_length(text: str) -> None:
    assert parse_length(text) == 3 * FOOT


HALF_PAST_ELEVEN = 2 * FOOT + Fraction(23, 2) * INCH


@pytest.mark.parametrize(
    "text",
    [
        *(
            "2'-11 1/2\"",
            "2' - 11 1/2\"",
            "2'11 1/2",
            "2' 11½\"",
            "2'11½",
            "2′11½″",
            "2’ 11 ½”",
            "2' 11 1⁄2''",
        ),
        *("2-11.5", "2-11,5", "2-11 1/2", "2-11½", "2-11-1/2", '2-11.5"', "2–11.5", "2 - 11.5", "2' 11.5"),
        *("2 ft. 11 1/2 in.", "2 feet, 11.5 inches", "2 foot and 11 1/2 inches", "2ft11.5in", "2 FT 11.5 IN"),
        *("35½ in", "35-1/2 in", '35 2/4"', "35,5 ins", "90.17 cm", "0.9017 m", "0,9017 Metres", "901.7 MM"),
    ],
)
def test_two_feet_eleven_and_a_half_in_any_hand_is_one_length(text: str) -> None:
    assert parse_length(text) == HALF_PAST_ELEVEN


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("½ m", 500),
        ("1/2'", FOOT / 2),
        ("3½'", Fraction(7, 2) * FOOT),
        ('¾"', Fraction(3, 4) * INCH),
        (".5 m", 500),
        ("1,830 m", 1830),
        ("1 m 83 cm", 1830),
        ("2 ft.6 in", Fraction(5, 2) * FOOT),
        ("1 meter", 1000),
        ("12 millimetres", 12),
        ("3 ㎝", 30),
        ("100'", 100 * FOOT),
    ],
)
def test_other_ways_of_a_technician_are_read(text: str, mm: float) -> None:
    assert parse_length(text) == mm


@pytest.mark.parametrize("text", ["INF", "inf", "Inf.", "infinity", "INFINITY", "∞", " ∞ ", "ＩＮＦ"])
def test_infinity_is_read_in_any_case_and_with_any_default_unit(text: str) -> None:
    assert parse_length(text) == math.inf
    assert length_to_mm(text, default_unit="ft") == math.inf


@pytest.mark.parametrize(
    ("text", "character", "reason"),
    [
        ("2' -3\"", 4, "negative"),
        ("−3 ft", 1, "negative"),
        ("-inf", 1, "negative"),
        ("2 -11.5", 3, "negative"),
        ("2' 14\"", 4, "carry it over"),
        ("2-12", 3, "carry it over"),
        ("1 m 183 cm", 5, "carry it over"),
        ("1,830 mm", 1, "thousands or a decimal"),
        ("1,125 in", 1, "thousands or a decimal"),
        ('111/2"', 1, "not between 0 and 1"),
        ("3/2 in", 1, "not between 0 and 1"),
        ("2.5' 3\"", 1, "only the last number"),
        ("1/0 in", 3, "division by zero"),
        ("1.5/2 in", 1, "whole number"),
        ("2.5 1/2 in", 1, "whole number"),
        ("1e3 mm", 2, "'e' is no unit"),
        ("3² m", 2, "is no unit"),
        ("3 km", 3, "'km' is no unit"),
        ("1_000 mm", 2, "no meaning"),
        ("1.2.3 m", 4, "unit is missing"),
        ("1 830 mm", 3, "unit is missing"),
        ("3''' ", 4, "a number is expected"),
        ("6\" 3'", 5, "ft cannot come after in"),
        ("3' 3'", 5, "ft cannot come after ft"),
        ("2' 11\" 3", 9, "no unit"),
        ("2-1/2", 6, "no unit"),
        ("0' 0\"", 1, "zero"),
        ("∞ ft", 3, "stands alone"),
        ("3 ft and", 9, "a number is expected"),
        ("3 ft 2 cm", 8, "mixed"),
        ("٣ ft", 1, "no meaning"),
        ("3 ft" + " 1 in" * 20, 65, "longer than 64"),
        ("__import__('os')", 1, "no meaning"),
    ],
)
def test_a_slip_is_refused_at_its_place_with_the_reason(text: str, character: int, reason: str) -> None:
    with pytest.raises(LengthTextError, match=reason) as caught:
        parse_length(text)
    assert caught.value.position == character - 1
    assert f"at character {character}:" in str(caught.value)


def test_a_bare_number_takes_the_unit_of_its_field_and_only_where_one_is_stated() -> None:
    assert parse_length("914,4", default_unit="mm") == 3 * FOOT
    assert parse_length("3 1/2", default_unit="ft") == Fraction(7, 2) * FOOT
    assert parse_length("3'", default_unit="mm") == 3 * FOOT
    assert parse_length("2-11.5", default_unit="mm") == HALF_PAST_ELEVEN
    with pytest.raises(LengthTextError, match="the number has no unit"):
        parse_length("914.4")
    with pytest.raises(LengthTextError, match="zero"):
        parse_length("0", default_unit="mm")


def test_a_default_unit_that_is_none_is_the_programmers_mistake() -> None:
    with pytest.raises(ValueError, match="'furlong' is no unit"):
        parse_length("3", default_unit="furlong")


def test_control_characters_never_reach_the_message() -> None:
    with pytest.raises(LengthTextError) as caught:
        parse_length("3\x1b[31m")
    assert "\x1b" not in str(caught.value)


def reading_or_place(text: str) -> tuple[float | Fraction, int]:
    try:
        return parse_length(text), 0
    except LengthTextError as error:  # nothing else may come out
        return math.inf, error.position


@given(st.text(max_size=80) | st.text(alphabet="0123456789 .,/-'\"½ftinmc∞", max_size=20))
def test_random_text_gives_a_length_above_zero_or_a_length_error(text: str) -> None:
    mm, place = reading_or_place(text)
    assert mm > 0
    assert 0 <= place <= len(text)


@given(
    sixteenths=st.integers(1, 16 * 12 * 400),
    signs=st.sampled_from([("'", '"'), ("’", "”"), ("′", "″"), (" ft", " in"), (" feet", " inches")]),
)
def test_feet_inches_and_fractions_survive_the_way_there_and_back(
    sixteenths: int, signs: tuple[str, str]
) -> None:
    mm = sixteenths * INCH / 16
    text = mm_to_feet_text(mm)
    written = text.replace("'", signs[0]).replace('"', signs[1])
    assert parse_length(written) == mm


@given(st.integers(1, 10**9), st.sampled_from([0.01, 0.1, 0.5, 1.0, 5.0, 10.0, 1000.0]))
def test_metric_survives_the_way_there_and_back_at_its_resolution(steps: int, resolution_mm: float) -> None:
    mm = steps * Fraction(str(resolution_mm))
    assert parse_length(mm_to_metric_text(mm, resolution_mm=resolution_mm)) == mm


@given(st.floats(min_value=1, max_value=1e9), st.sampled_from([1, 2, 4, 8, 16, 32, 64, 10]))
def test_feet_text_stays_within_half_a_step_of_any_length(mm: float, denominator: int) -> None:
    written = parse_length(mm_to_feet_text(max(mm, 30.0), denominator=denominator))
    assert abs(written - Fraction(max(mm, 30.0))) <= INCH / denominator / 2


@pytest.mark.parametrize(
    ("mm", "denominator", "text"),
    [
        (901.7, 16, "2' 11 1/2\""),
        (914.4, 16, "3'"),
        (915.9875, 16, "3' 1/16\""),
        (Fraction("915.9875"), 8, "3' 1/8\""),  # a tie rounds up
        (12.7, 16, '1/2"'),
        (304.7, 16, "1'"),
        (279.4, 16, '11"'),
        (901.7, 1, "3'"),
        (math.inf, 16, "INF"),
    ],
)
def test_feet_text_is_reduced_and_carried(mm: float | Fraction, denominator: int, text: str) -> None:
    assert mm_to_feet_text(mm, denominator=denominator) == text


@pytest.mark.parametrize(
    ("mm", "resolution_mm", "text"),
    [
        (914.4, 1.0, "914 mm"),
        (914.4, 0.1, "914.4 mm"),
        (914.4, 10.0, "910 mm"),
        (1830, 1.0, "1.830 m"),
        (1830, 10.0, "1.83 m"),
        (1832.5, 5.0, "1.835 m"),
        (19014, 1000.0, "19 m"),
        (999.96, 0.1, "1.0000 m"),
        (math.inf, 1.0, "INF"),
    ],
)
def test_metric_text_has_the_decimals_of_its_resolution(mm: float, resolution_mm: float, text: str) -> None:
    assert mm_to_metric_text(mm, resolution_mm=resolution_mm) == text


@pytest.mark.parametrize("mm", [0.0, -3.0, math.nan, -math.inf])
def test_what_is_no_length_is_not_written_as_one(mm: float) -> None:
    with pytest.raises(LengthError, match="must be above 0"):
        mm_to_feet_text(mm)
    with pytest.raises(LengthError, match="must be above 0"):
        mm_to_metric_text(mm)


def test_a_length_that_would_round_to_nothing_is_refused() -> None:
    with pytest.raises(LengthError, match="use a finer step"):
        mm_to_feet_text(0.1)
    with pytest.raises(LengthError, match="use a finer step"):
        mm_to_metric_text(0.1)


def test_a_step_that_is_none_is_refused() -> None:
    with pytest.raises(LengthError, match="cannot be parted into 0"):
        mm_to_feet_text(914.4, denominator=0)
    with pytest.raises(LengthError, match="resolution 0 mm must be above 0"):
        mm_to_metric_text(914.4, resolution_mm=0)
