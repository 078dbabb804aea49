"""Landings by picture through the interface: one of the prep's readings, by an address of its own."""

import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door, Json, opened_door


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record") as opened:
        yield opened


def look(door: Door, prep_id: str, status: int = 201, **more: object) -> Json:
    body = {
        "body_id": door.ids["A-01"],
        "lens_id": door.ids["H50"],
        "distance_text": "3'",
        "landing_um": -12.3,
        "landing_sd_um": 0.7,
        "setting": "1",
        "operator": WHO,
    }
    return door.post(f"/preps/{prep_id}/pictures", status, **{**body, **more})


def test_it_is_saved_once_judged_and_withdrawn_as_a_reading(door: Door) -> None:
    prep_id, own = door.start()["id"], uuid.uuid4().hex
    first = look(door, prep_id, id=own)
    assert look(door, prep_id, 200, id=own)["reading"]["number"] == 1
    reading = first["reading"]
    assert (reading["landing_um"], reading["picture_sd_um"], reading["setting"]) == (-12.3, 0.7, "1")
    assert reading["reading_text"] == "by picture −12.3 ± 1.4 µm"
    by_eye = door.read(prep_id, "on")["reading"]
    assert (by_eye["picture_sd_um"], by_eye["setting"]) == (None, "")
    verdict = door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    assert [one["landing_um"] for one in verdict["document"]["readings"]] == [0.0, -12.3]
    at = f"/preps/{prep_id}/readings/{reading['id']}"
    assert door.post(f"{at}/withdraw", 200, reason="lamp moved", who=WHO)["is_withdrawn"]
    assert not door.post(f"{at}/undo", 200, who=WHO)["is_withdrawn"]


@pytest.mark.parametrize(
    "wrong",
    [{"landing_sd_um": 0.0}, {"landing_um": None}, {"reading_text": "on"}, {"landing_um": 5000.0}],
    ids=str,
)
def test_what_cannot_be_is_refused(door: Door, wrong: dict[str, object]) -> None:
    look(door, door.start()["id"], 422, **wrong)


def test_one_too_far_off_is_asked_about(door: Door) -> None:
    prep_id = door.start()["id"]
    (notice,) = look(door, prep_id, 409, landing_um=700.0, asks=True)["notices"]
    assert notice["code"] == "landing_beyond"
    look(door, prep_id, landing_um=700.0)


def test_how_exactly_rings_are_set_is_the_house_s(door: Door) -> None:
    settings = door.get("/settings")
    assert settings["setting_sd_mm"] is None
    assert door.put("/settings", 200, **{**settings, "setting_sd_mm": 0.4}, who=WHO)["setting_sd_mm"] == 0.4


@pytest.mark.slow
def test_a_plan_is_of_landings_by_picture_on_request_and_a_verdict_offers_either(door: Door) -> None:
    asked = {"body_ids": [door.ids["A-01"]], "set_id": door.ids["Set H"], "target_um": 12}
    by_eye, by_picture = (door.get("/plan", **asked, by_picture=way) for way in (False, True))
    assert (by_eye["is_by_picture"], by_picture["is_by_picture"]) == (False, True)
    assert "landings by picture" in by_picture["headline"]
    assert 0 < by_picture["count"] < by_eye["count"]
    assert "Choose a set" in door.get("/plan", 422, body_ids=[door.ids["A-01"]])["detail"]
    prep_id = door.start()["id"]
    door.read(prep_id, "on")
    door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    verdict = door.get(f"/preps/{prep_id}")["verdict"]
    assert not any(one["by_picture"] for one in verdict["next"])
    assert all(one["by_picture"] for one in verdict["next_by_picture"])
    look(door, prep_id)
    door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    verdict = door.get(f"/preps/{prep_id}")["verdict"]
    assert verdict["next"] == verdict["next_by_picture"]
    assert verdict["next"][0]["by_picture"]
