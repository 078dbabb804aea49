"""A plan in words, as a table and as JSON."""

import io
import json
import math
from dataclasses import replace

import pytest
from jsonschema import Draft202012Validator, ValidationError
from rich.console import Console

from shimwise.inference.plan.planner import Plan, PlannedBody, PlannedReading
from shimwise.inference.verdict.datum import HalfWidthLimit
from shimwise.notices import Notice
from shimwise.sheets.json.documents import schema
from shimwise.sheets.json.plan_json import plan_to_json
from shimwise.sheets.terminal.plan_report import print_plan
from shimwise.sheets.words.plan_words import plan_habits, plan_headline, plan_help, setups_of, tape_text


def planned(*, half_width_um: float = 4.0, limit_um: float = 3.0, target_um: float = 5.0) -> Plan:
    """An invented plan of one body, two distances and two lenses."""
    return Plan(
        target_um=target_um,
        is_reached=half_width_um <= target_um,
        readings=(
            PlannedReading(body="B1", lens="L18", focal_mm=18, distance_mm=914.4, repeats=2),
            PlannedReading(body="B1", lens="Z1", focal_mm=24, distance_mm=914.4, repeats=1),
            PlannedReading(body="B1", lens="L18", focal_mm=18, distance_mm=math.inf, repeats=3),
        ),
        bodies=(
            PlannedBody(
                name="B1", half_width_um=half_width_um, median_um=0.75 * half_width_um, limit_um=limit_um
            ),
        ),
        limits=(HalfWidthLimit(body="B1", limit_um=limit_um, with_gauge_um=2.5, with_known_lens_um=6.5),),
    )


def shown(plan: Plan, *, width: int = 80, encoding: str = "utf-8") -> str:
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    print_plan(Console(file=file, width=width, color_system=None), plan, lens_text={"L18": "18 mm f/2"})
    file.seek(0)
    return file.read()


def test_the_sentence_counts_readings_and_setups() -> None:
    assert plan_headline(planned()) == (
        "Body B1 can be known to ±5 µm (95 %) in 9 of 10 preps with 6 readings at 2 set-ups; in the middle "
        "one to ±3.0."
    )


def test_the_plain_rule_is_named_and_where_the_plan_is_no_better_that_is_said() -> None:
    how, better = plan_habits(replace(planned(), rule_um=5.0), {})
    assert how.startswith("Lenses wide open")
    assert better == (
        "With as many readings the four widest lenses alone, all at INF, reach ±5.0 µm in 9 of 10 preps."
    )
    _, no_better = plan_habits(replace(planned(), rule_um=4.2), {})
    assert no_better.endswith("would reach ±4.2 µm in 9 of 10 preps: this plan is no better by a tenth.")


def test_a_target_out_of_reach_is_answered_with_what_would_help() -> None:
    plan = planned(half_width_um=8, limit_um=7)
    assert plan_headline(plan).startswith(
        "±5 µm cannot be promised with these lenses. Body B1 comes to ±8.0 µm"
    )
    (help_text,) = plan_help(plan)
    assert "With a depth gauge on it (standard uncertainty 3 µm) ±2.5 µm is within reach" in help_text
    assert "it takes more than one of these" not in help_text, "the gauge alone is enough"
    (harder,) = plan_help(planned(half_width_um=8, limit_um=7, target_um=2))
    assert harder.endswith("For ±2 µm it takes more than one of these.")


def test_a_target_that_too_many_readings_would_reach_is_not_called_impossible() -> None:
    (help_text,) = plan_help(planned(half_width_um=8, limit_um=3))
    assert "more readings would bring it nearer to ±3.0 µm" in help_text


def test_a_plan_that_reaches_its_target_needs_no_help() -> None:
    assert plan_help(planned()) == ()


def test_readings_are_grouped_by_what_has_to_be_taped() -> None:
    assert {key: len(readings) for key, readings in setups_of(planned()).items()} == {
        ("B1", 914.4): 2,
        ("B1", math.inf): 1,
    }


@pytest.mark.parametrize(
    ("distance_mm", "typed", "text"),
    [
        (914.4, {}, "3'"),
        (1000.0, {}, "1.000 m"),
        (2500.0, {2500.0: "2.5 m"}, "2.5 m"),
        (math.inf, {}, "INF"),
        (901.7, {}, "2' 11 1/2\""),
    ],
)
def test_a_distance_is_written_as_it_can_be_taped(
    distance_mm: float, typed: dict[float, str], text: str
) -> None:
    assert tape_text(distance_mm, typed) == text


def test_the_table_names_a_distance_once_and_of_a_zoom_where_to_set_it() -> None:
    text = shown(planned())
    assert text.count("3' (914 mm)") == 1
    assert "Z1 at 24 mm" in text
    assert "L18 18 mm f/2" in text


@pytest.mark.parametrize("width", [60, 80, 100])
def test_no_line_is_longer_than_the_page(width: int) -> None:
    assert max(map(len, shown(planned(half_width_um=8, limit_um=7), width=width).splitlines())) <= width


def test_it_can_be_written_in_ascii() -> None:
    text = shown(planned(half_width_um=8, limit_um=7), encoding="ascii")
    assert text.isascii()
    assert "+/-5 um cannot be promised" in text


def test_its_json_follows_its_schema_and_infinity_is_null() -> None:
    document = plan_to_json(planned(), notices=(Notice("body_not_known", "B9", {"known": "B1"}),))
    Draft202012Validator(schema("plan")).validate(json.loads(json.dumps(document, allow_nan=False)))
    assert document["count"] == 6
    (notice,) = document["notices"]
    assert (notice["code"], notice["unit"], notice["numbers"]) == ("body_not_known", "B9", {"known": "B1"})
    assert document["warnings"] == [notice["text"]]
    assert [reading["distance_mm"] for reading in document["readings"]] == [914.4, 914.4, None]


def test_the_schema_takes_a_plan_of_the_first_form_which_has_no_notices() -> None:
    document = plan_to_json(planned())
    validator = Draft202012Validator(schema("plan"))
    notices = document.pop("notices")
    assert not validator.is_valid(document)
    first = document | {"schema": "shimwise.plan/1"}
    validator.validate(first)
    assert not validator.is_valid(first | {"notices": notices})


def test_the_schema_refuses_a_plan_out_of_reach_without_a_word_of_help() -> None:
    document = plan_to_json(planned(half_width_um=8, limit_um=7)) | {"help": []}
    with pytest.raises(ValidationError, match=r"non-empty|too short"):
        Draft202012Validator(schema("plan")).validate(document)
