"""How well people repeat, at every door: own figures, nameless ones, and the refusal of another's."""

import json
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from api_house import WHO, Door
from bench_files import Run
from pages_house import PageSeen, opened_pages

LEAD, OTHER = "The Lead", "R. Okafor"
PRIVATE = f"How {WHO} reads is private to {WHO} and the leads"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "record"


@pytest.fixture
def door(place: Path) -> Iterator[Door]:
    """A house in which one person has read three sights twice, and another one of them once."""
    with opened_pages(place, is_furnished=True) as door:
        prep_id = str(door.start()["id"])
        for lens in ("H25", "H35", "H50"):
            for text in ("on", 'short by 1/8"'):
                door.read(prep_id, text, lens_id=door.ids[lens])
        door.read(prep_id, "on", operator=OTHER)
        door.put("/leads", 200, names=[LEAD], who=WHO)
        yield door


def page_of(door: Door, who: str, *, name: str = "", status: int = 200) -> PageSeen:
    """Look at the page from a device that was given a name."""
    door.client.cookies.set("shimwise_person", quote(who))
    answer = door.client.get("/repeatability", params={"name": name} if name else {})
    assert answer.status_code == status, answer.text
    return PageSeen(answer.text)


def test_the_page_tells_a_person_their_own_and_that_names_are_not_passwords(door: Door) -> None:
    page = page_of(door, WHO)
    assert page.sentence.startswith("You repeat a sight to ±")
    text = " ".join(page.text.split())
    assert "3 repeats among 6 readings in 1 prep" in text
    assert "Names here are not passwords" in text
    assert OTHER not in text
    assert "Everybody" not in text


def test_a_device_without_a_name_sees_what_is_nameless_and_where_to_give_one(door: Door) -> None:
    page = page_of(door, "")
    assert page.sentence == "Give this device your name to see how well you repeat."
    assert "/settings" in page.links
    assert WHO not in page.text
    assert "private" in page_of(door, "", name=WHO, status=422).text


def test_a_lead_sees_everybody_on_the_page_and_each_by_name(door: Door) -> None:
    page = page_of(door, LEAD)
    assert all(name in page.text for name in (WHO, OTHER))
    assert page_of(door, LEAD, name=WHO).sentence.startswith(f"{WHO} repeats a sight to ±")


def test_another_persons_figures_are_refused_on_the_page_with_none_of_them_shown(door: Door) -> None:
    page = page_of(door, OTHER, name=WHO, status=409)
    assert PRIVATE in page.text
    assert "one standard deviation" not in page.sentence
    assert "95 %" not in page.text


def test_another_persons_figures_are_refused_by_the_interface(door: Door) -> None:
    assert PRIVATE in door.get("/repeatability", 409, name=WHO, who=OTHER)["detail"]
    assert door.get("/repeatability", name=WHO, who=LEAD)["degrees"] == 3
    found = door.get("/repeatability/house", who=OTHER)
    assert (found["is_lead"], found["people"], found["pooled"]) == (False, [], None)
    assert found["own"]["reading_count"] == 1
    assert WHO not in json.dumps(found)
    assert [one["name"] for one in door.get("/repeatability/house", who=LEAD)["people"]] == [WHO, OTHER]
    assert door.get("/repeatability/house")["own"] is None


def test_another_persons_figures_are_refused_by_the_command_line(door: Door, place: Path, run: Run) -> None:
    code, out, err = run("repeatability", "--name", WHO, "--who", OTHER, "--data", place)
    assert (code, out) == (2, "")
    assert PRIVATE in err
    code, out, _ = run("repeatability", "--name", WHO, "--who", LEAD, "--data", place)
    assert code == 0
    assert f"{WHO} repeats a sight to ±" in " ".join(out.split())
    code, out, _ = run("repeatability", "--who", OTHER, "--data", place)
    assert code == 0
    assert WHO not in out
    assert "Gauge R&R asks for two persons" in out
    code, out, _ = run("repeatability", "--who", LEAD, "--data", place, "--json")
    assert [one["name"] for one in json.loads(out)["people"]] == [WHO, OTHER]


def test_the_house_page_leads_there(door: Door) -> None:
    answer = door.client.get("/settings")
    assert "/repeatability" in PageSeen(answer.text).links
