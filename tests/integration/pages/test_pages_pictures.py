"""Pictures of the invented bench for the pages: what they show, and that they are drawn once."""

import re
import time
from collections.abc import Iterator

import pytest
from api_house import Door
from pages_house import opened_pages

from record_template import copied_record
from shimwise.bench.demo.demo_record import DemoRecord, fill_demo
from shimwise.bench.house.units import list_units, show_unit
from shimwise.bench.house.views import BodyFacts
from shimwise.bench.prep import preps
from shimwise.bench.prep.readings import withdraw_reading
from shimwise.bench.verdict import pictures
from shimwise.errors import SheetError


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Door, DemoRecord]]:
    folder = tmp_path_factory.mktemp("pictures")
    demo = copied_record(folder, fill_demo)
    with opened_pages(folder) as door:
        yield door, demo


def test_the_table_beside_the_picture_holds_every_reading_that_stands(bench: tuple[Door, DemoRecord]) -> None:
    door, demo = bench
    prep = preps.open_prep(door.record, demo.open_prep_id)
    rows = pictures.landings_rows(prep)
    told = sum(len(text.split(", ")) for row in rows for text in (row.landings, row.doubted) if text)
    assert told == sum(not one.is_withdrawn for one in prep.readings) == 96
    assert {row.body for row in rows} == {"A-07", "A-12"}


def test_a_picture_is_drawn_once_and_again_when_what_it_shows_has_changed(
    bench: tuple[Door, DemoRecord],
) -> None:
    door, demo = bench
    first = pictures.landings_svg(door.record, demo.open_prep_id, width_px=640)
    begun = time.perf_counter()
    assert pictures.landings_svg(door.record, demo.open_prep_id, width_px=640) is first
    assert time.perf_counter() - begun < 1.0
    reading = preps.open_prep(door.record, demo.open_prep_id).readings[0]
    withdraw_reading(door.record, reading.id, reason="wrong mark", who="N. Tester")
    second = pictures.landings_svg(door.record, demo.open_prep_id, width_px=640)
    assert second != first


def test_a_picture_is_one_image_with_a_name(bench: tuple[Door, DemoRecord]) -> None:
    door, demo = bench
    svg = pictures.landings_svg(door.record, demo.done_prep_id, theme="light", width_px=400)
    assert svg.count('role="') == 1
    assert re.match(r'<svg[^>]* role="img" aria-label="Landings in microns', svg)


def test_a_body_that_was_judged_has_a_past_and_one_that_was_not_has_none(
    bench: tuple[Door, DemoRecord],
) -> None:
    door, _ = bench
    body = next(one for one in list_units(door.record, BodyFacts).units if one.name == "A-03")
    past = show_unit(door.record, BodyFacts, body.id).past
    assert pictures.past_svg(past, tolerance_um=10).startswith("<svg")
    assert pictures.past_svg((), tolerance_um=10) == ""


def test_a_width_or_theme_that_is_none_is_refused(bench: tuple[Door, DemoRecord]) -> None:
    door, demo = bench
    with pytest.raises(SheetError, match="cannot be read"):
        pictures.landings_svg(door.record, demo.open_prep_id, width_px=10)
    with pytest.raises(SheetError, match="no theme"):
        pictures.landings_svg(door.record, demo.open_prep_id, theme="neon")
