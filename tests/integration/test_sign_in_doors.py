"""Signing in by the page and by the interface: who it is then, what a wrong PIN does, and how it ends."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import Door
from pages_house import PageSeen, opened_pages, see

from shimwise.bench.access import accounts
from shimwise.web.acting import COOKIE, Presence

PIN, OTHER = "4071", "5082"


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_pages(tmp_path / "record", is_furnished=True) as door:
        door.client.app.state.presence = Presence()  # type: ignore[attr-defined]
        yield door


@pytest.fixture
def house(door: Door) -> Door:
    console = accounts.console_actor("tester")
    ada = accounts.add_person(door.record, name="Ada Bay", role="keeper", pin=PIN, who=console)
    accounts.add_person(door.record, name="Bo Truck", role="reader", pin=OTHER, who=console)
    door.ids["ada"] = ada.id
    return door


def test_a_house_without_a_keeper_works_as_before_and_says_so(door: Door) -> None:
    assert "whoever sees these pages may do everything" in see(door, "/settings").text
    people = see(door, "/people")
    assert people.sentence == "No keeper is named yet: names are believed here."
    assert "shimwise people add NAME --role keeper" in people.text
    assert "Sign a prep" in people.text, "the table is shown all the same"
    assert "believed" in see(door, "/sign-in").sentence
    door.put("/leads", 200, names=["Mallory"], who="Mallory")
    door.start()
    assert door.get("/people")["people"] == []
    assert door.get("/sessions") == {"name": "", "role": None, "is_person": False}


def test_the_page_signs_in_and_goes_where_one_came_from(house: Door) -> None:
    client = house.client
    asked = client.post(
        "/preps", data={}, headers={"referer": "http://testserver/bodies"}, follow_redirects=False
    )
    assert asked.status_code == 401, "the form stays, with what to do"
    assert "Sign in first" in asked.text
    assert "Sign in to go on" in asked.text
    assert "Start the prep</button>" not in asked.text, "nobody fills in what would be refused"
    sent = {"person": house.ids["ada"], "pin": "9999", "next": "/bodies"}
    wrong = client.post("/sign-in", data=sent, follow_redirects=False)
    assert (wrong.status_code, COOKIE in client.cookies) == (403, False)
    assert f'value="{house.ids["ada"]}" checked' in wrong.text, "the name stays chosen"
    right = client.post("/sign-in", data={**sent, "pin": PIN}, follow_redirects=False)
    assert (right.status_code, right.headers["location"]) == (303, "/bodies")
    cookie = right.headers["set-cookie"].casefold()
    assert all(part in cookie for part in ("httponly", "samesite=strict", "path=/"))
    assert "Ada Bay keeper" in " ".join(see(house, "/").text.split())
    handed = client.post("/sign-in", data={"other": "bo truck", "pin": OTHER, "next": "//evil.example/"})
    assert handed.url.host == "testserver", "never to another host"
    assert house.get("/sessions") == {"name": "Bo Truck", "role": "reader", "is_person": True}
    client.post("/sign-out")
    assert house.get("/sessions")["role"] is None


def test_handing_the_device_on_ends_what_the_one_before_was_signed_in_by(house: Door) -> None:
    house.post("/sessions", 201, name="Ada Bay", pin=PIN)
    before = house.client.cookies[COOKIE]
    house.client.post("/sign-in", data={"other": "Bo Truck", "pin": OTHER})
    house.client.cookies.clear()
    house.client.cookies.set(COOKIE, before)
    assert house.get("/sessions")["role"] is None


def test_the_interface_signs_in_and_waits_after_five_wrong_pins(house: Door) -> None:
    for _ in range(5):
        house.post("/sessions", 403, name="Ada Bay", pin="9999")
    refused = house.client.post("/api/v1/sessions", json={"name": "Ada Bay", "pin": PIN})
    assert (refused.status_code, refused.headers["retry-after"]) == (429, "30")
    assert refused.json()["notices"][0]["code"] == "too_many_tries"
    assert house.post("/sessions", 201, name="Bo Truck", pin=OTHER)["role"] == "reader"
    house.post("/bodies", 403, name="A-07", mount="PL", who="Ada Bay")
    assert house.client.post("/api/v1/sessions/end", json={}).status_code == 204
    house.post("/bodies", 401, name="A-07", mount="PL", who="Ada Bay")


def test_a_keeper_adds_a_person_on_the_page_and_others_see_no_form(house: Door) -> None:
    house.client.post("/sign-in", data={"person": house.ids["ada"], "pin": PIN})
    form = {"name": "Cy Dolly", "role": "technician", "first_pin": "1234"}
    refused = house.client.post("/people", data=form)
    assert (refused.status_code, "everybody tries first" in refused.text) == (422, True)
    assert 'value="Cy Dolly"' in refused.text
    assert refused.text.count("everybody tries first") == 1, "beside the new person's PIN, and nobody else's"
    assert '<details class="more" open' not in refused.text
    other = house.client.post(f"/people/{house.ids['ada']}", data={"another_pin": "1234"})
    assert (other.status_code, other.text.count("everybody tries first")) == (422, 1)
    assert re.search(r'<details class="more" open>.*?Ada Bay', other.text)
    assert house.client.post("/people", data={**form, "first_pin": "6093"}).status_code == 200
    assert [one["name"] for one in house.get("/people")["people"]] == ["Ada Bay", "Bo Truck", "Cy Dolly"]
    house.client.post("/sign-in", data={"other": "Cy Dolly", "pin": "6093"})
    page = PageSeen(house.client.get("/people").text)
    assert "Add a person" not in page.text
    assert "Your own PIN" in page.text
    assert page.unlabelled == []
    assert len(page.ids) == len(set(page.ids))
