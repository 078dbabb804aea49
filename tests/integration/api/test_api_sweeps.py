"""A sweep sent by the interface: measured beside the pages, watched, cancelled, refused."""

import json
import shutil
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from api_house import WHO, Door, Json, opened_door
from sweep_files import BEST_UM, DISTANCE_MM, write_sweep

from shimwise.bench.exchange.record_admin import export_prep

PATIENCE_S = 120.0


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record") as opened:
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


def of_its_own(frames: Path, folder: Path) -> list[Path]:
    """Copy a sweep: its frames are the same pictures in other files: a PNG may go on past its end."""
    folder.mkdir()
    for file in frames.iterdir():
        more = folder.name.encode() if file.suffix == ".png" else b""
        (folder / file.name).write_bytes(file.read_bytes() + more)
    return sorted(folder.iterdir())


def told_otherwise(frames: Path, folder: Path, /, **said: object) -> list[Path]:
    """Give the files of a sweep with another sweep.json."""
    settings = json.loads((frames / "sweep.json").read_text(encoding="utf-8"))
    (folder / "sweep.json").write_text(json.dumps({**settings, **said}), encoding="utf-8")
    return [folder / "sweep.json", *(file for file in sorted(frames.iterdir()) if file.name != "sweep.json")]


def ended(door: Door, job: Json) -> Json:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        job = door.get(f"/preps/{job['prep_id']}/sweeps/{job['id']}/work")
        if job["state"] not in {"waiting", "working"}:
            return job
        time.sleep(0.1)
    raise AssertionError(f"still {job}")


@dataclass(frozen=True)
class Measured:
    """A closed record with a sweep that was measured: its folder, ids, prep, the sweep's id and files."""

    folder: Path
    ids: dict[str, str]
    prep_id: str
    sweep_id: str
    files: list[Path]

    @contextmanager
    def opened(self, folder: Path) -> Iterator[Door]:
        """Open the interface over a copy of the record, as after a restart."""
        shutil.copytree(self.folder, folder)
        with opened_door(folder, is_furnished=False) as door:
            door.ids.update(self.ids)
            yield door


@pytest.fixture(scope="module")
def measured(frames: Path, tmp_path_factory: pytest.TempPathFactory) -> Measured:
    """A sweep whose settings name its frames in a folder, though they come by bare names."""
    settings = json.loads((frames / "sweep.json").read_text(encoding="utf-8"))
    named = [{**frame, "file": f"frames/{frame['file']}"} for frame in settings["frames"]]
    folder = tmp_path_factory.mktemp("measured")
    with opened_door(folder / "record") as door:
        prep_id = door.start()["id"]
        files = told_otherwise(frames, folder, frames=named)
        job = send(door, prep_id, files)
        done = ended(door, job)
        assert done["state"] == "done", done
        return Measured(folder / "record", dict(door.ids), prep_id, job["id"], files)


def test_a_sweep_is_measured_and_speaks_beside_the_readings(measured: Measured, tmp_path: Path) -> None:
    with measured.opened(tmp_path / "record") as door:
        (sweep,) = door.get(f"/preps/{measured.prep_id}")["sweeps"]
        assert sweep["id"] == measured.sweep_id
        # Swept was the sensor: its best place is where the simulator put it, and the landing the opposite.
        assert sweep["landing_um"] == pytest.approx(-BEST_UM, abs=4 * sweep["sd_um"])
        verdict = door.post(f"/preps/{measured.prep_id}/verdict/refresh", 200, who=WHO)
        assert verdict["document"]["readings"][0]["source"] == f"sweep {measured.sweep_id}"
        (row,) = json.loads(export_prep(door.record, measured.prep_id))["sweeps"]
        assert row["frames_place"] == f"frames/{measured.sweep_id}"  # and nothing of this machine's folders


def test_a_kept_sweep_sent_again_after_a_restart_is_the_same_and_its_frames_stay(
    measured: Measured, tmp_path: Path
) -> None:
    with measured.opened(tmp_path / "record") as door:
        files, sweep_id = measured.files, measured.sweep_id
        assert send(door, measured.prep_id, files, id=sweep_id)["state"] == "done"
        send(door, measured.prep_id, files, 409, id=sweep_id, lens_id=door.ids["H35"])
        send(door, door.start()["id"], files, 409, id=sweep_id)
        assert len(door.get(f"/preps/{measured.prep_id}")["sweeps"]) == 1
        kept = (door.record.folder / "frames" / sweep_id).rglob("*.*")
        assert sorted(file.name for file in kept) == sorted(file.name for file in files)


def test_frames_of_a_sweep_that_finds_the_line_full_are_not_left_behind(
    door: Door, frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shimwise.bench.sweep.jobs.MOST_WAITING", 0)
    problem = send(door, door.start()["id"], sorted(frames.iterdir()), 422)
    assert "would wait behind" in problem["detail"]
    assert not (door.record.folder / "frames").exists()


def test_sweeps_that_still_wait_when_the_pages_end_are_measured_after_the_next_start(
    tmp_path: Path, frames: Path
) -> None:
    with opened_door(tmp_path / "record") as door:
        prep = door.start()
        sent = [send(door, prep["id"], of_its_own(frames, tmp_path / str(number))) for number in range(2)]
    with opened_door(tmp_path / "record", is_furnished=False) as door:
        assert [ended(door, job)["state"] for job in sent] == ["done", "done"]
        assert len(door.get(f"/preps/{prep['id']}")["sweeps"]) == 2


def test_a_sweep_that_is_cancelled_leaves_nothing(door: Door, frames: Path) -> None:
    prep = door.start()
    job = send(door, prep["id"], sorted(frames.iterdir()))
    problem = send(door, prep["id"], sorted(frames.iterdir()), 422)  # while it waits or is measured
    assert "are those of the sweep of H50 on A-01" in problem["detail"]
    assert door.post(f"/preps/{prep['id']}/sweeps/{job['id']}/cancel", 200, who=WHO)["state"] == "cancelled"
    assert ended(door, job)["state"] == "cancelled"
    end = time.monotonic() + 20
    place = door.record.folder / "frames" / job["id"]
    while place.exists() and time.monotonic() < end:
        time.sleep(0.1)
    assert not place.exists()
    assert door.get(f"/preps/{prep['id']}")["sweeps"] == []


def test_frames_that_cannot_be_measured_are_told_why(door: Door, tmp_path: Path) -> None:
    prep, file = door.start(), tmp_path / "sweep.json"
    file.write_text('{"frames": []}', encoding="utf-8")
    job = ended(door, send(door, prep["id"], [file]))
    assert job["state"] == "failed"
    assert job["title"].startswith("H50 on A-01 at")
    assert job["id"] not in job["problem"]
    dismissed = door.client.post(f"/api/v1/preps/{prep['id']}/sweeps/{job['id']}/dismiss", json={"who": WHO})
    assert dismissed.status_code == 204
    assert door.client.get(f"/api/v1/preps/{prep['id']}/sweeps/{job['id']}/work").status_code == 404


def test_frames_without_the_file_that_says_where_each_stands_are_refused_at_once(
    door: Door, frames: Path
) -> None:
    problem = send(door, door.start()["id"], sorted(frames.glob("*.png")), 422)
    assert "sweep.json is not among the files" in problem["detail"]
    assert list(door.record.folder.glob("frames/*")) == []


@pytest.mark.parametrize(
    ("said", "field", "words"),
    [
        ({"focal_mm": 35.0}, "lens_id", "a focal length of 35 mm, lens H50 has 50 mm. Choose the lens"),
        ({"focal_mm": 52.0}, "lens_id", "52 mm"),
        ({"squeeze": 2.0}, "lens_id", "a squeeze of 2, lens H50 has 1"),
    ],
)
def test_a_sweep_of_another_lens_than_the_one_chosen_is_refused_with_both_values(
    door: Door, frames: Path, tmp_path: Path, said: dict[str, object], field: str, words: str
) -> None:
    problem = send(door, door.start()["id"], told_otherwise(frames, tmp_path, **said), 422)
    assert words in problem["detail"]
    assert [place["field"] for place in problem["places"]] == [field]
    assert list(door.record.folder.glob("frames/*")) == []


def test_a_focal_length_typed_with_the_frames_is_held_against_the_lens_too(door: Door, frames: Path) -> None:
    problem = send(door, door.start()["id"], sorted(frames.iterdir()), 422, focal_mm="25")
    assert "25 mm" in problem["detail"]


def test_frames_sent_again_are_refused_until_their_first_sweep_is_withdrawn(
    measured: Measured, tmp_path: Path
) -> None:
    with measured.opened(tmp_path / "record") as door:
        at, files = f"/preps/{measured.prep_id}/sweeps/{measured.sweep_id}", measured.files
        problem = send(door, measured.prep_id, files, 422)
        assert f"those of the sweep of H50 on A-01 at {DISTANCE_MM:.6f} mm" in problem["detail"]
        door.post(f"{at}/withdraw", 200, reason="another lens", who=WHO)
        taken = send(door, measured.prep_id, files)
        assert taken["state"] in {"waiting", "working"}  # given up with the door


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
    sent = [
        ("files", ("../../../escaped.png", b"x", "image/png")),
        ("files", ("sweep.json", b"{}", "application/json")),
    ]
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


def test_what_moved_is_stated_in_place_of_a_sweep_json(door: Door, frames: Path) -> None:
    prep, own = door.start(), [one for one in sorted(frames.iterdir()) if one.name != "sweep.json"]
    stated = json.loads((frames / "sweep.json").read_text(encoding="utf-8"))["frames"]
    first, second = (one["position_um"] for one in stated[:2])
    for wrong, field in (
        ({"moved": "sensor", "first": "0", "step": "0"}, "step"),
        ({"moved": "table"}, "moved"),
    ):
        problem = send(door, prep["id"], own, 422, **wrong)
        assert field in json.dumps(problem)
    way = {"moved": "sensor", "first": f"{first}", "step": f"{second - first}"}
    assert "pixel pitch" in send(door, prep["id"], own, 422, **way)["detail"]  # which sweep.json said
    job = send(door, prep["id"], own, **way, pitch_um="5")
    made = json.loads((door.record.folder / "frames" / job["id"] / "sweep.json").read_text(encoding="utf-8"))
    assert [one["position_um"] for one in made["frames"]] == pytest.approx(
        [one["position_um"] for one in stated]
    )
    door.client.post(f"/api/v1/preps/{prep['id']}/sweeps/{job['id']}/cancel", json={"who": WHO})
