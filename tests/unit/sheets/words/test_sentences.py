"""The second line, and the picture told in words."""

from dataclasses import replace

from shimwise.inference.verdict.answer import Answer, Unparted, UnpartedKind, Verdict
from shimwise.sheets.words.sentences import description, second_line


def test_the_second_line_says_what_the_headline_does_not(answer: Answer) -> None:
    line = second_line(answer)
    assert "H50 is short as well." in line
    assert "A-07" not in line
    assert "H75 needs more readings. H135 is not read yet." in line
    assert "Set-up B-12 D2 looks mis-taped: its chart stands 38 ± 3 mm farther than written." in line
    assert line.endswith("2 readings are doubted.")


def test_a_name_that_is_a_number_is_not_taken_for_one_in_the_headline(answer: Answer) -> None:
    lens = replace(answer.lenses[3], name="14")
    line = second_line(replace(answer, lenses=(lens,)))
    assert "14 is short as well." in line


def test_when_nothing_else_matters_the_second_line_says_only_that_tape_and_chart_agree(
    answer: Answer,
) -> None:
    calm = replace(
        answer,
        bodies=answer.bodies[:1],
        lenses=answer.lenses[:2],
        setups=answer.setups[:3],
        readings=answer.readings[:3],
    )
    assert second_line(calm) == "Tape and chart agree."
    assert second_line(replace(calm, setups=())) == ""


def test_the_description_tells_every_unit(answer: Answer) -> None:
    words = description(answer)
    assert words.startswith(answer.headline)
    for unit in (*answer.bodies, *answer.lenses):
        assert f"{unit.name}: " in words
    assert "8 lenses on 2 bodies, 39 readings" in words


def test_a_reading_from_before_an_adjustment_is_not_counted_as_doubted(answer: Answer) -> None:
    line = second_line(answer)
    doubted = next(one for one in answer.readings if one.weight < 0.3)
    was = replace(answer.bodies[0], name="before")
    readings = tuple(replace(one, body="before") if one is doubted else one for one in answer.readings)
    told = second_line(replace(answer, past_bodies=(was,), readings=readings))
    assert line.endswith("2 readings are doubted.")
    assert told.endswith("1 reading is doubted.")


def test_units_that_hide_each_others_error_are_told_with_what_they_land_together(answer: Answer) -> None:
    body, lens = (replace(one, verdict=Verdict.CANNOT_TELL) for one in (answer.bodies[0], answer.lenses[0]))
    together = Unparted(
        kind=UnpartedKind.PAIR,
        names=(body.name, lens.name),
        amount_um=-57.0,
        sd_um=11.7,
        low_um=-80.0,
        high_um=-34.0,
    )
    line = second_line(replace(answer, bodies=(body,), lenses=(lens,), unparted=(together,)))
    assert f"{body.name} and {lens.name} cannot be parted: together 57 ± 23 µm short." in line
