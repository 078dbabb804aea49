"""A sweep sent by the interface: measured beside the pages, watched, cancelled, refused."""

import json
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door, Json, opened_door
from sweep_files import BEST_UM, DISTANCE_MM, write_sweep

PATIENCE_S = 120.0


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record") as opened:
        opened.furnish()
        yield opened


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sweep(tmp_path_factory.mktemp("sweep"))


def send(door: Door, prep_id: str, files: list[Path], status: int = 202, **fields: str) -> Json:
    form = {
        "body_id": door.ids["A-01"],
        "lens_id": door.ids["H50"],
        "distance_text": f"{DISTANCE_MM:.6f} mm",
        "who": WHO,
        **fields,
    }
    sent = [("files", (file.name, file.read_bytes(), "application/octet-stream")) for file in files]
    answer = door.client.post(f"/api/v1/preps/{prep_id}/sweeps", data=form, files=sent)
    assert answer.status_code == status, answer.text
    return answer.json()


def ended(door: Door, job: Json) -> Json:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        job = door.get(f"/preps/{job['prep_id']}/sweeps/{job['id']}/work")
        if job["state"] not in {"waiting", "working"}:
            return job
        time.sleep(0.1)
    raise AssertionError(f"still {job}")


def test_a_sweep_is_measured_and_speaks_beside_the_readings(door: Door, frames: Path) -> None:
    prep = door.start()
    job = send(door, prep["id"], sorted(frames.iterdir()))
    assert ended(door, job)["state"] == "done", door.get(f"/preps/{prep['id']}/sweeps/{job['id']}/work")
    (sweep,) = door.get(f"/preps/{prep['id']}")["sweeps"]
    assert sweep["id"] == job["id"]
    # Swept was the sensor: its best place is where the simulator put it, and the landing the opposite.
    assert sweep["landing_um"] == pytest.approx(-BEST_UM, abs=4 * sweep["sd_um"])
    verdict = door.post(f"/preps/{prep['id']}/verdict/refresh", 200, who=WHO)
    assert verdict["document"]["readings"][0]["source"] == f"sweep {job['id']}"
    again = send(door, prep["id"], sorted(frames.iterdir()), id=job["id"])
    assert again["state"] == "done"
    assert len(door.get(f"/preps/{prep['id']}")["sweeps"]) == 1


def test_a_kept_sweep_sent_again_after_a_restart_is_the_same_and_its_frames_stay(
    tmp_path: Path, frames: Path
) -> None:
    with opened_door(tmp_path / "record") as door:
        door.furnish()
        ids, prep, other = door.ids, door.start(), door.start()
        job = send(door, prep["id"], sorted(frames.iterdir()))
        assert ended(door, job)["state"] == "done"
    with opened_door(tmp_path / "record") as door:
        door.ids.update(ids)
        place = door.record.folder / "frames" / job["id"]
        assert send(door, prep["id"], sorted(frames.iterdir()), id=job["id"])["state"] == "done"
        send(door, prep["id"], sorted(frames.iterdir()), 409, id=job["id"], lens_id=ids["H35"])
        send(door, other["id"], sorted(frames.iterdir()), 409, id=job["id"])
        assert len(door.get(f"/preps/{prep['id']}")["sweeps"]) == 1
        assert len(list(place.iterdir())) == len(list(frames.iterdir()))


def test_frames_of_a_sweep_that_finds_the_line_full_are_not_left_behind(
    door: Door, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shimwise.bench.sweep_jobs.MOST_WAITING", 0)
    problem = send(door, door.start()["id"], sorted(frames.iterdir()), 422)
    assert "would wait behind" in problem["detail"]
    assert not (door.record.folder / "frames").exists()


def test_frames_of_sweeps_that_still_wait_go_when_the_pages_end(tmp_path: Path, frames: Path) -> None:
    with opened_door(tmp_path / "record") as door:
        door.furnish()
        prep = door.start()
        for _ in range(3):
            send(door, prep["id"], sorted(frames.iterdir()))
        place = door.record.folder / "frames"
    assert list(place.iterdir()) == []


def test_frames_that_the_settings_name_in_a_folder_are_found_though_they_come_by_bare_names(
    door: Door, frames: Path, tmp_path: Path
) -> None:
    settings = json.loads((frames / "sweep.json").read_text(encoding="utf-8"))
    for frame in settings["frames"]:
        frame["file"] = f"frames/{frame['file']}"
    (tmp_path / "sweep.json").write_text(json.dumps(settings), encoding="utf-8")
    others = [file for file in sorted(frames.iterdir()) if file.name != "sweep.json"]
    prep = door.start()
    job = send(door, prep["id"], [tmp_path / "sweep.json", *others])
    assert ended(door, job)["state"] == "done", door.get(f"/preps/{prep['id']}/sweeps/{job['id']}/work")


def test_a_sweep_that_is_cancelled_leaves_nothing(door: Door, frames: Path) -> None:
    prep = door.start()
    job = send(door, prep["id"], sorted(frames.iterdir()))
    assert door.post(f"/preps/{prep['id']}/sweeps/{job['id']}/cancel", 200, who=WHO)["state"] == "cancelled"
    assert ended(door, job)["state"] == "cancelled"
    end = time.monotonic() + 20
    place = door.record.folder / "frames" / job["id"]
    while place.exists() and time.monotonic() < end:
        time.sleep(0.1)
    assert not place.exists()
    assert door.get(f"/preps/{prep['id']}")["sweeps"] == []


def test_frames_that_cannot_be_measured_are_told_why(door: Door, tmp_path: Path) -> None:
    prep, file = door.start(), tmp_path / "notes.txt"
    file.write_text("no frame", encoding="utf-8")
    job = ended(door, send(door, prep["id"], [file]))
    assert job["state"] == "failed"
    assert job["problem"]


@pytest.mark.parametrize(
    ("name", "fields", "field"),
    [
        ("a.png", {"lens_id": "0" * 32}, "lens_id"),
        ("a.png", {"distance_text": "near"}, "distance_text"),
        ("a.png", {"who": ""}, "who"),
        ("a.png", {"colour": "red"}, "colour"),
        ("con|aux.png", {}, "files"),
        (".hidden", {}, "files"),
    ],
)
def test_what_cannot_be_swept_is_refused_before_anything_is_written(
    door: Door, tmp_path: Path, name: str, fields: dict[str, str], field: str
) -> None:
    prep, file = door.start(), tmp_path / name
    file.write_bytes(b"x")
    problem = send(door, prep["id"], [file], 422, **fields)
    assert field in {place["field"] for place in problem["places"]}
    assert not (door.record.folder / "frames").exists()


def test_a_path_in_a_files_name_does_not_lead_out_of_its_folder(door: Door) -> None:
    prep, sweep_id = door.start(), uuid.uuid4().hex
    sent = [("files", ("../../../escaped.png", b"x", "image/png"))]
    form = {
        "id": sweep_id,
        "body_id": door.ids["A-01"],
        "lens_id": door.ids["H50"],
        "distance_text": "3'",
        "who": WHO,
    }
    answer = door.client.post(f"/api/v1/preps/{prep['id']}/sweeps", data=form, files=sent)
    assert answer.status_code == 202
    assert list(door.record.folder.parent.rglob("escaped.png")) in (
        [],
        [door.record.folder / "frames" / sweep_id / "escaped.png"],
    )


def test_a_sweep_has_to_come_as_a_form(door: Door) -> None:
    prep = door.start()
    answer = door.client.post(f"/api/v1/preps/{prep['id']}/sweeps", json={"who": WHO})
    assert answer.status_code == 415
