"""Words and figures that every sheet shares."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_answers import body
from rich.cells import cell_len

from shimwise.inference.verdict.answer import Verdict
from shimwise.sheets.words import shared


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(-14.2, 0, "−14"), (2.4, 0, "+2"), (-0.3, 0, "0"), (-0.04, 1, "0.0"), (0.25, 1, "+0.3")],
)
def test_a_number_carries_its_sign_and_nought_has_none(value: float, digits: int, text: str) -> None:
    assert shared.signed_text(value, digits=digits) == text


def test_an_error_is_told_with_half_its_interval_and_as_many_decimals() -> None:
    unit = body("B", -14.2, 6.1, 0.9, Verdict.OUT_SHORT)
    fine = body("B", 0.31, 0.84, 0.0, Verdict.IN_TOLERANCE)
    assert shared.error_text(unit) == "−14 ± 6"
    assert shared.error_text(fine) == "+0.3 ± 0.8"


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_called_not_known(bad: float) -> None:
    texts = [
        shared.signed_text(bad),
        shared.plus_minus_text(bad, 1.0),
        shared.plus_minus_text(1.0, bad),
        shared.half_text(bad),
        shared.probability_text(bad),
        shared.distance_text(math.nan),
    ]
    assert all(shared.NOT_KNOWN in text for text in texts)
    assert not any("nan" in text or "inf" in text for text in texts)


@pytest.mark.parametrize(
    ("probability", "text"),
    [(0.0, "< 1 %"), (0.0099, "< 1 %"), (0.01, "1 %"), (0.5, "50 %"), (0.99, "99 %"), (1.0, "> 99 %")],
)
def test_a_probability_is_never_called_certain(probability: float, text: str) -> None:
    assert shared.probability_text(probability) == text


def test_a_distance_is_told_both_ways() -> None:
    # 3 ft = 914.4 mm exactly, since 1 in = 25.4 mm.
    assert shared.distance_text(914.4) == "3' (914 mm)"
    assert shared.distance_text(math.inf) == "INF"


@given(st.text(max_size=200))
def test_ascii_is_ascii_whatever_comes_in(text: str) -> None:
    assert shared.ascii_text(text).isascii()


def test_the_signs_of_the_trade_have_an_ascii_form_that_can_be_read() -> None:
    assert shared.ascii_text("−14 ± 6 µm, 102°, 5 ‰") == "-14 +/- 6 um, 102 deg, 5 /1000"
    assert shared.ascii_text("Ångström, ½, 日") == "Angstrom, 1/2, ?"


@given(st.text(max_size=200))
def test_no_text_steers_the_terminal(text: str) -> None:
    safe = shared.plain(text)
    assert safe.isprintable()


def test_an_escape_sequence_is_shown_not_obeyed() -> None:
    assert shared.plain("L\x1b[31m1\n2") == "L�[31m1 2"


@given(st.text(max_size=60), st.integers(1, 30), st.booleans())
def test_a_fitted_text_never_takes_more_cells_than_it_may(text: str, cells: int, is_ascii: bool) -> None:
    fitted = shared.fitted(shared.plain(text), cells, is_ascii=is_ascii)
    assert cell_len(fitted) <= cells


def test_long_names_of_a_series_are_told_apart_when_they_are_cut() -> None:
    names = [f"An invented lens of a long name, no. {number:03d}" for number in range(60)]
    assert len({shared.fitted(name, 20) for name in names}) == len(names)
    assert shared.fitted(names[7], 20) == "An invented l…o. 007"


@given(st.text(max_size=300), st.integers(10, 100))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width: int) -> None:
    text = shared.plain(text)
    lines = shared.wrapped(text, width)
    assert all(cell_len(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_a_number_is_not_parted_from_its_uncertainty_or_its_unit() -> None:
    for width in range(10, 40):
        lines = shared.wrapped("the chart stands 38 ± 3 mm (95 %) farther, and 17 µm deep", width)
        assert any("38 ± 3 mm" in line for line in lines)
        assert any("(95 %)" in line for line in lines)
        assert any("17 µm" in line for line in lines)


def test_a_long_list_ends_with_how_many_more() -> None:
    assert shared.listed("abcdefgh", most=4) == "a, b, c and 5 more"
    assert shared.listed("ab") == "a and b"
    assert shared.listed("a") == "a"
    assert shared.listed("") == ""


def test_a_name_that_says_what_it_is_gets_no_second_noun() -> None:
    assert shared.titled("body", "Body 7") == "Body 7"
    assert shared.titled("body", "Bodyguard-1") == "body Bodyguard-1"
    assert shared.titled("body", "A-07") == "body A-07"
    assert shared.titled("set-up", "Set-up 2") == "Set-up 2"
    assert shared.counted(1, "more body") == "1 more body"
    assert shared.counted(1200, "more body") == "1,200 more bodies"
