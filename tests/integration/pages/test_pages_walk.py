"""Every page that can be reached: it answers, begins with its sentence, and keeps the rules of the house."""

from collections import deque
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from api_house import Door
from pages_house import PageSeen, opened_pages, see

from record_template import copied_record
from shimwise.bench.demo.demo_record import DemoRecord, fill_demo

FILES = (".csv", ".json", ".pdf", ".svg")
MOST_OF_A_KIND = 3


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Door, DemoRecord]]:
    folder = tmp_path_factory.mktemp("pages")
    demo = copied_record(folder, fill_demo)
    with opened_pages(folder) as door:
        yield door, demo


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Door]:
    with opened_pages(tmp_path / "record") as door:
        yield door


def kind_of(path: str) -> str:
    """Take ids and queries out of an address, so that a few of each kind are looked at."""
    plain = path.partition("?")[0]
    return "/".join("id" if len(part) == 32 else part for part in plain.split("/"))


def walked(door: Door) -> Iterator[tuple[str, PageSeen]]:
    """Give address and look of all pages that links lead to, a few of each kind."""
    waiting, seen, kinds = deque(["/"]), {"/"}, dict[str, int]()
    while waiting:
        path = waiting.popleft()
        if path.partition("?")[0].endswith(FILES) or path.startswith(("/pair", "/api/")):
            continue
        kinds[kind_of(path)] = kinds.get(kind_of(path), 0) + 1
        if kinds[kind_of(path)] > MOST_OF_A_KIND:
            continue
        page = see(door, path)
        yield path, page
        for link in page.links:
            if link not in seen:
                seen.add(link)
                waiting.append(link)


def test_every_link_leads_to_a_page_that_keeps_the_rules(bench: tuple[Door, DemoRecord]) -> None:
    door, _ = bench
    kinds = set()
    for path, page in walked(door):
        kinds.add(kind_of(path))
        assert not page.forbidden, path
        assert not page.unlabelled, (path, page.unlabelled)
        assert len(set(page.ids)) == len(page.ids), (path, sorted(page.ids))
        if [level for level, _ in page.headings].count(1):  # a whole page, not a part of one
            levels = [level for level, _ in page.headings]
            assert levels.count(1) == 1, path
            assert levels[0] == 1, path
            assert all(after <= before + 1 for before, after in pairwise(levels)), (path, page.headings)
            assert page.sentence.endswith((".", "?")), (path, page.sentence)
    wanted = {"/", "/bodies", "/bodies/id", "/lenses/id/change", "/sets/id", "/charts", "/optics", "/plan"}
    assert wanted | {"/preps/id", "/preps/id/rail", "/settings", "/house-list", "/label"} <= kinds


def test_the_preps_tell_what_is_open_and_what_was_done(bench: tuple[Door, DemoRecord]) -> None:
    door, _ = bench
    page = see(door, "/")
    assert page.sentence.startswith("One prep is open: Invented bench: A-07 and A-12 with set H, 96 readings")
    assert "Invented bench: A-03 with set K" in page.text


def test_a_prep_begins_with_its_verdict_and_offers_what_says_most(bench: tuple[Door, DemoRecord]) -> None:
    door, demo = bench
    page = see(door, f"/preps/{demo.open_prep_id}")
    verdict = door.get(f"/preps/{demo.open_prep_id}/verdict")
    assert verdict["headline"].startswith(page.sentence)
    assert page.regions == ["verdict", "rail", "readings"]
    following = verdict["next"][0]
    assert f"{following['lens']} at {following['distance_text']}" in page.text


def test_a_house_without_anything_says_what_to_do_first(empty: Door) -> None:
    page = see(empty, "/")
    assert "first say which bodies and lenses the house has" in page.sentence
    assert {"/house-list", "/bodies/new", "/lenses/new", "/sets/new", "/charts"} <= set(page.links)
    assert see(empty, "/bodies").sentence == "No body is kept yet."
    assert see(empty, "/plan").links.count("/house-list") == 1


def test_what_is_not_there_is_told_as_a_page_and_to_programs_as_a_problem(empty: Door) -> None:
    for path in ("/nowhere", f"/preps/{'0' * 32}", f"/bodies/{'0' * 32}"):
        assert see(empty, path, 404).sentence == "There is no such page here."
    answer = empty.client.get(f"/api/v1/preps/{'0' * 32}")
    assert answer.headers["content-type"] == "application/problem+json"


def test_the_first_page_is_small_with_all_that_it_loads(empty: Door) -> None:
    names = (
        "pages.css",
        "ids.js",
        "pages.js",
        "pad.js",
        "waiting.js",
        "live.js",
        "mark.svg",
        "vendor/htmx.min.js",
        "vendor/b612-latin-400-normal.woff2",
        "vendor/b612-latin-700-normal.woff2",
    )
    sizes = [len(empty.client.get(f"/static/{name}").content) for name in names]
    assert all(sizes)
    assert sum(sizes) + len(empty.client.get("/").content) <= 500_000
