"""A form tells all that is wrong in it at once, each beside its field."""

import pytest

from shimwise.web.pages.forms import Form, NotANumberError
from shimwise.web.pages.house.unit_forms import body_facts, lens_facts


def form(**typed: str) -> Form:
    return Form(values={name: [text] for name, text in typed.items()})


def test_a_lens_is_refused_by_all_its_wrong_fields_together() -> None:
    sent = form(name="", focal_lengths_mm="-25", fnumber="fast", near="close", squeeze="9", scale_unit="ft")
    with pytest.raises(NotANumberError):
        lens_facts(sent)
    assert set(sent.refused) == {"name", "focal_lengths_mm", "fnumber", "near", "squeeze"}
    assert sent.refused["name"] == "The name is empty. Type it."
    assert sent.refused["fnumber"] == "“fast” is no number. Type one such as 2.8."
    assert sent.refused["focal_lengths_mm"].startswith("“-25” is out of range; accepted is from 1 to")


def test_a_body_is_refused_by_all_its_wrong_fields_together() -> None:
    sent = form(name="A-01", tolerance_um="wide", pixel_pitch_um="900")
    with pytest.raises(NotANumberError):
        body_facts(sent)
    assert set(sent.refused) == {"tolerance_um", "pixel_pitch_um"}
    assert "such as 10" in sent.refused["tolerance_um"]


def test_a_form_without_a_fault_is_read() -> None:
    facts = lens_facts(form(name="P25", focal_lengths_mm="25", fnumber="2,8"))
    assert (facts.focal_lengths_mm, facts.fnumber) == ((25.0,), 2.8)
    assert form(temperature_c="hot").refused == {}
    sent = form(temperature_c="hot")
    with pytest.raises(NotANumberError, match="Type one such as 20"):
        sent.number("temperature_c")
