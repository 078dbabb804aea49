"""The house by the interface: units, sets, the list in and out, preps carried to another record."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import LENSES, WHO, Door, Json, opened_door


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record") as opened:
        yield opened


def test_a_body_is_changed_as_a_whole_and_its_name_stays_its_own(door: Door) -> None:
    at = f"/bodies/{door.ids['A-01']}"
    mechanism = {"kind": "screw", "um_per_turn": 350, "away": "clockwise"}
    changed = door.put(at, 200, name="A-01", serial="S7", mechanism=mechanism, who=WHO)
    assert changed["facts"]["mechanism"]["um_per_turn"] == 350
    assert changed["facts"]["mount"] == ""
    assert door.put(at, 409, name="a-02", who=WHO)["type"].endswith("#conflict")
    door.put(f"/bodies/{'0' * 32}", 404, name="A-09", who=WHO)
    assert door.get(at)["body"]["facts"]["serial"] == "S7"


def test_lists_are_read_page_by_page_by_name(door: Door) -> None:
    first = door.get("/lenses", limit=2)
    rest = door.get("/lenses", limit=2, cursor=first["next_cursor"])
    names = [lens["facts"]["name"] for page in (first, rest) for lens in page["lenses"]]
    assert names == [name for name, _ in LENSES]
    assert rest["next_cursor"] == ""


def test_a_unit_out_of_use_is_listed_when_asked_for(door: Door) -> None:
    door.put(f"/bodies/{door.ids['A-02']}", 200, name="A-02", is_retired=True, who=WHO)
    assert [body["facts"]["name"] for body in door.get("/bodies")["bodies"]] == ["A-01"]
    assert len(door.get("/bodies", with_retired=True)["bodies"]) == 2


def test_a_set_shows_its_lenses_and_where_it_was_tested(door: Door) -> None:
    prep = door.start()
    shown = door.get(f"/sets/{door.ids['Set H']}")
    assert [lens["facts"]["name"] for lens in shown["lenses"]] == [name for name, _ in LENSES]
    assert [one["prep_id"] for one in shown["preps"]] == [prep["id"]]
    lens = door.get(f"/lenses/{door.ids['H50']}")
    assert [one["name"] for one in lens["sets"]] == ["Set H"]


def test_a_lens_with_a_table_to_infinity_is_given_back_as_it_came(door: Door) -> None:
    table = [
        {"distance_mm": 914.4, "focal_mm": 78, "separation_mm": 10},
        {"distance_mm": None, "focal_mm": 85, "separation_mm": 14},
    ]
    marks = [609.6, 914.4, None]
    facts = {"name": "I85", "focal_lengths_mm": [85], "fnumber": 2, "by_distance": table, "marks_mm": marks}
    lens = door.post("/lenses", 201, **facts, focus_design="internal focus", who=WHO)
    assert lens["facts"]["by_distance"] == [[914.4, 78, 10], [None, 85, 14]]
    assert lens["facts"]["marks_mm"] == marks


def test_the_list_is_told_first_then_taken(door: Door) -> None:
    csv = door.client.get("/api/v1/house-list").text.replace("A-02,,PL", "A-02,S9,PL")

    def send(**query: object) -> dict[str, object]:
        answer = door.client.post(
            "/api/v1/house-list",
            content=csv.encode(),
            params={"who": WHO, **query},
            headers={"content-type": "text/csv"},
        )
        assert answer.status_code == 200, answer.text
        return answer.json()  # type: ignore[no-any-return]

    told, done = send(), send(is_dry_run=False)
    assert told["changed"] == done["changed"]
    assert (told["is_taken"], done["is_taken"]) == (False, True)
    assert door.get(f"/bodies/{door.ids['A-02']}")["body"]["facts"]["serial"] == "S9"
    answer = door.client.post("/api/v1/house-list?who=N", json={})
    assert answer.status_code == 415


def test_a_prep_is_carried_to_another_record_with_nothing_changed(door: Door, tmp_path: Path) -> None:
    prep = door.start()
    door.read(prep["id"], "on")
    door.post(f"/preps/{prep['id']}/verdict/refresh", 200, who=WHO)
    document = door.client.get(f"/api/v1/preps/{prep['id']}/export").content
    with opened_door(tmp_path / "elsewhere", is_furnished=False) as other:
        headers = {"content-type": "application/json"}
        for is_new in (True, False):
            answer = other.client.post(f"/api/v1/imports?who={WHO}", content=document, headers=headers)
            assert answer.status_code == 200, answer.text
            assert answer.json()["is_new"] is is_new
        assert other.client.get(f"/api/v1/preps/{prep['id']}/export").content == document
        refused = other.client.post(f"/api/v1/imports?who={WHO}", content=b"[]", headers=headers)
        assert refused.status_code == 422


def test_the_readings_are_given_as_a_readings_file(door: Door) -> None:
    prep = door.start()
    door.read(prep["id"], 'short by 1/4"')
    answer = door.client.get(f"/api/v1/preps/{prep['id']}/readings.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert "2' 11 3/4" in answer.text


def test_a_readings_file_is_added_to_a_prep_once(door: Door) -> None:
    prep = door.start()
    address = f"/api/v1/preps/{prep['id']}/readings.csv"
    sent = (
        "body,lens,focal_length_mm,f_number,distance,reading,operator,setup\nA-01,H50,50,2,3',3',Ann,near\n"
    )
    headers = {"content-type": "text/csv"}

    def send(text: str, **query: object) -> tuple[int, Json]:
        answer = door.client.post(
            address, params={"who": WHO, **query}, content=text.encode(), headers=headers
        )
        return answer.status_code, answer.json()

    status, told = send(sent, is_dry_run=True)
    assert (status, told["added"], told["setups"], told["is_dry_run"]) == (200, 1, ["near"], True)
    assert [send(sent)[1]["added"] for _ in range(2)] == [1, 0]
    assert door.get(f"/preps/{prep['id']}")["readings"][0]["operator"] == "Ann"
    status, problem = send(sent.replace("3',3'", "3',3 feat"))
    assert status == 422
    assert "line 2, column reading: [3 feat]" in problem["detail"]
    door.post(f"/preps/{prep['id']}/close", 200, who=WHO)
    assert send(sent + sent.splitlines()[1])[0] == 409


def test_the_document_has_an_example_for_what_people_type(door: Door) -> None:
    shapes = door.get("/openapi.json")["components"]["schemas"]
    assert shapes["ReadingIn"]["properties"]["reading_text"]["examples"]
    assert shapes["Problem"]["properties"]["detail"]["examples"]


def test_how_fast_units_wander_is_read_and_changed(door: Door) -> None:
    assert door.get("/settings/wear")["body_job_um"] == 2.0
    rates = {"body_month_um": 0.5, "body_job_um": 1, "lens_month_um": 1, "lens_job_um": 0}
    changed = door.put("/settings/wear", 200, **rates, reason="drift charts", who=WHO)
    assert changed["reason"] == "drift charts"
    door.put("/settings/wear", 422, **{**rates, "lens_job_um": -1}, reason="drift charts", who=WHO)
    assert door.get("/settings/wear") == changed
