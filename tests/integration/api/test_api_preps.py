"""A prep by the interface alone, as a house's stock system would do it."""

import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from api_house import WHO, Door, TestClient, furnish, opened_door

from record_template import copied_record
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.record.record import Record
from shimwise.web.app import create_app

NEW_ID = "0" * 32


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record") as opened:
        yield opened


def test_a_whole_prep_from_start_to_verdict_and_close(door: Door) -> None:
    prep = door.start(title="Monday", temperature_c=21.5)
    assert [lens["name"] for lens in prep["lenses"]] == ["H25", "H35", "H50"]
    setup = door.post(
        f"/preps/{prep['id']}/setups", 201, body_id=door.ids["A-01"], distance_text="6'", who=WHO
    )
    assert setup["name"] == "A-01 at 6'"
    for lens in ("H25", "H35", "H50"):
        for text in ("on", 'short by 1/8"'):
            door.read(prep["id"], text, lens_id=door.ids[lens])
        door.read(prep["id"], "on", lens_id=door.ids[lens], setup_id=setup["id"], distance_text="")
    door.post(
        f"/preps/{prep['id']}/gauges",
        201,
        unit_kind="body",
        unit_id=door.ids["A-01"],
        value_um=1.5,
        sd_um=3.0,
        who=WHO,
    )
    verdict = door.post(f"/preps/{prep['id']}/verdict/refresh", 200, who=WHO)
    assert verdict["is_current"]
    assert verdict["document"]["schema"] == "shimwise.verdict/2"
    assert [body["name"] for body in verdict["bodies"]] == ["A-01"]
    assert verdict["bodies"][0]["unit_id"] == door.ids["A-01"]
    assert door.get(f"/preps/{prep['id']}/verdict")["id"] == verdict["id"]
    assert door.get(f"/bodies/{door.ids['A-01']}")["past"][0]["prep_title"] == "Monday"
    closed = door.post(f"/preps/{prep['id']}/close", 200, who=WHO)
    assert closed["state"] == "done"
    assert door.read(prep["id"], "on", 409)["detail"].startswith("This prep is closed")
    assert door.post(f"/preps/{prep['id']}/reopen", 200, who=WHO)["state"] == "open"


def test_a_reading_sent_again_is_the_first_answer_with_another_status(door: Door) -> None:
    prep, reading_id = door.start(), uuid.uuid4().hex
    first = door.read(prep["id"], "on", id=reading_id)
    again = door.read(prep["id"], "on", 200, id=reading_id)
    assert first["reading"] == again["reading"]
    assert (first["is_new"], again["is_new"]) == (True, False)
    problem = door.read(prep["id"], "2' 11\"", 409, id=reading_id)
    assert problem["type"] == "/api/v1/problems#conflict"


def test_starting_a_prep_twice_under_one_id_starts_one(door: Door) -> None:
    prep_id = uuid.uuid4().hex
    assert door.start(id=prep_id)["id"] == door.start(id=prep_id)["id"] == prep_id
    assert len(door.get("/preps")["preps"]) == 1
    door.post("/preps", 409, id=prep_id, body_ids=[door.ids["A-02"]], who=WHO)


def test_infinity_is_null_in_what_is_given(door: Door) -> None:
    prep = door.start()
    reading = door.read(prep["id"], "INF", distance_text="INF")["reading"]
    assert reading["distance_mm"] is None
    assert reading["distance_text"] == "INF"
    assert reading["landing_um"] == 0


def test_a_list_of_preps_is_read_page_by_page_newest_first(door: Door) -> None:
    made = [door.start(title=f"Prep {n}")["id"] for n in range(5)]
    seen: list[str] = []
    cursor = ""
    while True:
        page = door.get("/preps", limit=2, cursor=cursor)
        seen += [prep["id"] for prep in page["preps"]]
        cursor = page["next_cursor"]
        if not cursor:
            break
    assert seen == made[::-1]
    assert [prep["title"] for prep in door.get("/preps", search="prep 3")["preps"]] == ["Prep 3"]
    assert door.get("/preps", state="done")["preps"] == []


@pytest.mark.parametrize(
    ("address", "body", "status", "field"),
    [
        ("/preps", {"body_ids": [], "who": WHO}, 422, "body_ids"),
        ("/preps", {"body_ids": [NEW_ID], "who": WHO}, 422, "body_ids"),
        ("/preps", {"body_ids": ["x"], "who": WHO}, 422, "body_ids.0"),
        ("/preps", {"body_ids": [NEW_ID], "who": WHO, "colour": "red"}, 422, "colour"),
        ("/preps", {"body_ids": [NEW_ID], "who": "=1"}, 422, "who"),
        ("/bodies", {"name": "+A", "who": WHO}, 422, "name"),
        ("/bodies", {"name": "A", "history_mean_um": 2, "who": WHO}, 422, "history_sd_um"),
        (
            "/lenses",
            {"name": "L", "focal_lengths_mm": [80, 24], "fnumber": 2, "who": WHO},
            422,
            "focal_lengths_mm",
        ),
        ("/sets", {"name": "S", "lens_ids": [NEW_ID], "who": WHO}, 422, "lens_ids"),
    ],
)
def test_what_cannot_be_taken_is_a_problem_that_names_its_place(
    door: Door, address: str, body: dict[str, Any], status: int, field: str
) -> None:
    answer = door.client.post(f"/api/v1{address}", json=body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == status
    assert problem["instance"] == f"/api/v1{address}"
    assert field in {place["field"] for place in problem["places"]}


def test_a_body_that_is_not_said_to_be_json_is_refused(door: Door) -> None:
    # A form of another site can send text/plain without asking; it cannot send application/json.
    answer = door.client.post(
        "/api/v1/bodies", content='{"name": "A", "who": "N"}', headers={"content-type": "text/plain"}
    )
    assert answer.status_code == 415
    assert answer.json()["type"] == "/api/v1/problems#media-type"


@pytest.mark.parametrize(
    ("method", "address", "status", "kind"),
    [
        ("GET", f"/preps/{NEW_ID}", 404, "not-found"),
        ("GET", f"/preps/{NEW_ID}/verdict", 404, "not-found"),
        ("GET", "/nowhere", 404, "not-found"),
        ("DELETE", "/preps", 405, "method"),
        ("GET", "/preps?cursor=mine", 422, "input"),
        ("GET", "/labels?text=nothing", 404, "not-found"),
        ("GET", "/optics/landing?focal_mm=50&distance=3%27&reading=1%22", 422, "input"),
    ],
)
def test_every_error_has_the_one_shape(door: Door, method: str, address: str, status: int, kind: str) -> None:
    answer = door.client.request(method, f"/api/v1{address}")
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert set(answer.json()) == {"type", "title", "status", "detail", "instance", "places", "notices"}
    assert answer.json()["type"] == f"/api/v1/problems#{kind}"
    kinds = {one["name"] for one in door.get("/problems")["problems"]}
    assert kind in kinds


@pytest.mark.parametrize(
    ("address", "code", "numbers"),
    [
        (f"/preps/{NEW_ID}", "not_found", {"kind": "prep", "id": NEW_ID}),
        ("/optics/length?text=3+feat", "input", {"field": "text", "typed": "3 feat"}),
        ("/bodies?limit=0", "greater_than_equal", {"field": "limit", "ge": 1}),
    ],
)
def test_an_error_carries_its_code_and_numbers_beside_its_words(
    door: Door, address: str, code: str, numbers: dict[str, Any]
) -> None:
    problem = door.client.get(f"/api/v1{address}").json()
    (notice,) = problem["notices"]
    assert (notice["code"], notice["unit"], notice["numbers"]) == (code, "", numbers)
    assert notice["text"] in problem["detail"]


def test_a_name_that_is_taken_is_a_notice_of_whom_it_belongs_to(door: Door) -> None:
    problem = door.post("/bodies", 409, name="a-01", who=WHO)
    (notice,) = problem["notices"]
    assert (notice["code"], notice["numbers"]) == ("conflict", {"kind": "body", "id": door.ids["A-01"]})


def test_a_withdrawn_reading_is_given_back(door: Door) -> None:
    prep = door.start()
    reading = door.read(prep["id"], "on")["reading"]
    at = f"/preps/{prep['id']}/readings/{reading['id']}"
    assert door.post(f"{at}/withdraw", 200, reason="tape slipped", who=WHO)["is_withdrawn"]
    assert not door.post(f"{at}/undo", 200, who=WHO)["is_withdrawn"]


def test_the_verdict_follows_by_itself_where_the_judge_runs(tmp_path: Path) -> None:
    ids = copied_record(tmp_path, furnish)
    with Record.open(tmp_path) as record:
        judge = JudgeService(record)
        app = create_app(record, has_pages=False, judge=judge)
        with TestClient(app) as client:
            door = Door(client, record, ids)
            prep = door.start()
            door.read(prep["id"], "on")
            assert judge.wait(60)
            assert door.get(f"/preps/{prep['id']}/verdict")["is_current"]


def test_a_label_is_found_by_its_address_its_id_and_its_name(door: Door) -> None:
    for text in (f"https://bay.example/bodies/{door.ids['A-01']}", "a-01"):
        assert door.get("/labels", text=text) == {"kind": "body", "id": door.ids["A-01"], "name": "A-01"}


def test_settings_are_replaced_as_a_whole_and_rule_the_next_answer(door: Door) -> None:
    assert door.get("/settings")["tolerance_um"] == 10
    new = {"units": "m", "tolerance_um": 8, "tolerance_by_mount": {"PL": 7}, "coc_um": 25, "who": WHO}
    assert door.put("/settings", 200, **new)["tolerance_by_mount"] == {"PL": 7}
    prep = door.start()
    assert prep["bodies"][0]["tolerance_um"] == 7
    assert prep["bodies"][0]["coc_um"] == 25
    assert prep["tolerance_um"] == 8


def test_a_landing_beyond_everything_is_asked_about_where_that_is_wanted(door: Door) -> None:
    prep = door.start()
    where = {"body_id": door.ids["A-01"], "lens_id": door.ids["H50"], "distance_text": "3'"}
    read = {**where, "reading_text": "30'", "operator": WHO, "id": uuid.uuid4().hex}
    at = f"/preps/{prep['id']}/readings"
    problem = door.post(at, 409, **read, asks=True)
    (notice,) = problem["notices"]
    assert notice["code"] == "landing_beyond"
    assert abs(notice["numbers"]["landing_um"]) > notice["numbers"]["farthest_um"] > 100
    assert door.get(f"/preps/{prep['id']}")["readings"] == []
    door.post(at, 201, **read)
    door.post(at, 200, **read, asks=True)  # it is kept already: nothing to ask
