"""A form keeps what was typed, and says beside the field what is wrong."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.bench.errors import InputError
from shimwise.errors import SheetError
from shimwise.web.pages.forms import Form, NotANumberError


@pytest.mark.parametrize(
    ("typed", "value"),
    [("2.8", 2.8), ("2,8", 2.8), (" -12 ", -12.0), ("−12", -12.0), ("f/4", 4.0), ("", None)],
)
def test_a_number_is_read_as_people_write_it(typed: str, value: float | None) -> None:
    assert Form(values={"x": [typed]}).number("x") == value


@pytest.mark.parametrize("typed", ["two", "1.2.3", "nan", "inf", "1e999", "--3"])
def test_what_is_no_finite_number_is_refused_beside_its_field(typed: str) -> None:
    form = Form(values={"x": [typed]})
    with pytest.raises(NotANumberError, match="is no number"):
        form.number("x")
    assert typed in form.refused["x"]
    assert form.get("x") == typed


@given(st.text(max_size=40))
def test_any_text_is_a_finite_number_or_refused(typed: str) -> None:
    form = Form(values={"x": [typed]})
    try:
        value = form.number("x")
    except NotANumberError:
        assert form.refused["x"]
    else:
        assert value is None or abs(value) < float("inf")


def test_several_numbers_are_read_with_spaces_or_semicolons_between() -> None:
    assert Form(values={"x": ["10 15;20"]}).numbers("x") == (10.0, 15.0, 20.0)


def test_a_refusal_stands_beside_the_field_that_it_names() -> None:
    form = Form(values={"reading": ["2x"]})
    form.refuse(
        InputError("is no length.", field="reading_text", typed="2x"), fields={"reading_text": "reading"}
    )
    assert form.refused == {"reading": "“2x” is no length."}


def test_a_refusal_without_a_field_stands_above_the_form() -> None:
    form = Form()
    form.refuse(SheetError("The parts do not fit."))
    assert form.refused == {"": "The parts do not fit."}


def test_a_field_with_several_values_gives_all_that_are_not_empty() -> None:
    form = Form(values={"lens_ids": ["a", "", "b"]})
    assert form.all("lens_ids") == ["a", "b"]
    assert form.get("lens_ids") == "b"
