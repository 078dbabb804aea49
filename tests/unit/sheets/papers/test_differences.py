"""What is told of a document that differs from what was signed."""

from copy import deepcopy
from typing import Any

import pytest
from invented_preps import signed_document

from shimwise.sheets.papers.signed.canonical_json import signed_part
from shimwise.sheets.papers.signed.differences import differences


def _told(change: Any) -> tuple[str, ...]:  # noqa: ANN401 - a function
    document = signed_document(with_sweep=False)
    signed = deepcopy(signed_part(document))
    change(document)
    return differences(document, signed)


def _drop(rows: list[Any]) -> None:
    del rows[1]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            lambda found: found["prep"].update(title="Tuesday"),
            "Prep: its title is “Tuesday”; as signed it is",
        ),
        (lambda found: found["prep"].update(temperature_c=35), "Prep: its temperature (°C) is 35; as signed"),
        (lambda found: found["readings"][1].update(operator=""), "Reading 2: its operator is empty; as"),
        (lambda found: _drop(found["readings"]), "Reading 2 is missing."),
        (lambda found: found["readings"].append({"id": "x", "seq": 99}), "Reading 99 was added."),
        (lambda found: found["readings"].reverse(), "Readings are there twice, or in another order."),
        (lambda found: found["lenses"][0].update(name="Z-9"), "its name is “Z-9”; as signed it is “"),
        (lambda found: found["verdicts"][-1]["document"].update(headline="x"), "Verdict: its document is an"),
        (lambda found: found["sign_offs"][0].update(signed_by="x"), "Signature: its signed by is “x”; as"),
    ],
)
def test_what_was_changed_is_named(change: Any, told: str) -> None:  # noqa: ANN401 - a function
    (words,) = _told(change)
    assert told in words


def test_a_length_is_told_as_it_was_typed() -> None:
    (words,) = _told(lambda found: found["readings"][0].update(reading_text="9'", reading_mm=2743.2))
    assert words.startswith("Reading 1: its reading is “9'”; as signed it is “")


def test_what_is_not_signed_makes_no_difference() -> None:
    assert _told(lambda found: found["bodies"][0].update(note="at the dealer's", epoch=4)) == ()
    assert _told(lambda found: None) == ()


def test_of_many_differences_the_first_are_told_and_the_rest_counted() -> None:
    def change(found: Any) -> None:  # noqa: ANN401 - a document
        for row in found["readings"][:9]:
            row["operator"] = "someone else"

    told = _told(change)
    assert len(told) == 7
    assert told[-1] == "And 3 more."
