"""A tag at the edge keeps clear of the bar below it; what is out shows where it is measured from."""

from dataclasses import replace
from typing import Any

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.pictures.style import page_style
from shimwise.sheets.pictures.verdict_figure import verdict_figure


def layers(answer: Answer) -> list[dict[str, Any]]:
    spec = verdict_figure(answer)
    return [layer for panel in spec["vconcat"] for layer in panel["layer"]]


def tag_row(answer: Answer) -> float:
    rows = [
        one["row"]
        for layer in layers(answer)
        for one in layer["data"]["values"]
        if layer["mark"]["type"] == "text" and one.get("words") == "−152 µm"
    ]
    (row,) = rows
    return float(row)


def test_a_tag_at_the_edge_is_not_written_over_a_bar(answer: Answer) -> None:
    wide = tuple(
        replace(one, low_um=-150.0, high_um=110.0) if one.name == "H50" else one for one in answer.lenses
    )
    # Below the signs where there is room, beside them where the bar is.
    assert tag_row(answer) > tag_row(replace(answer, lenses=wide))


def test_a_lens_that_is_out_has_a_line_from_the_bodys_own(answer: Answer) -> None:
    ways = [
        one
        for layer in layers(answer)
        if layer["mark"].get("strokeDash") == [1, 2]
        for one in layer["data"]["values"]
    ]
    assert len(ways) == 2  # H50, on both bodies
    for one, body in zip(ways, answer.bodies, strict=True):
        assert one["um"] == body.error_um
        assert one["um2"] == body.error_um - 17.0


def test_on_a_phone_a_name_leaves_room_for_the_error_and_its_words(answer: Answer) -> None:
    text = {one.name: "100 mm f/2.8" for one in answer.lenses}
    style = page_style("dark", 340)
    spec = verdict_figure(answer, lens_text=text, style=style)
    rows = [
        one
        for panel in spec["vconcat"]
        for layer in panel["layer"]
        if layer["mark"]["type"] == "text"
        for one in layer["data"]["values"]
        if one.get("both")
    ]
    assert any(one["both"].endswith("needs more readings") for one in rows)
    for one in rows:
        assert (len(one["words"]) + len(one["both"])) * 0.6 * style.layout.text_px <= 340, one


def test_a_body_as_it_was_before_a_move_is_told_from_the_one_after_it(answer: Answer) -> None:
    first, second = answer.bodies
    past = "A body with a long name"
    before = replace(answer, bodies=(replace(first, name=f"{past} before adjustment 1"), second))
    labels = [
        one["words"]
        for layer in layers(before)
        if layer["mark"]["type"] == "text"
        for one in layer["data"]["values"]
        if one.get("is_bold")
    ]
    assert labels[0].startswith("Before move 1")
