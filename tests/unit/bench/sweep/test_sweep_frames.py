"""Where uploaded frames are put: into the folders that ``sweep.json`` names, and nowhere else."""

import io
import json
import shutil
import uuid
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import InputError
from shimwise.bench.exchange.record_admin import FramesKept, check, frames_kept, frames_left
from shimwise.bench.sweep.evidence import SweepRequest, keep_sweep, sweep_task
from shimwise.bench.sweep.frame_files import (
    frames_at,
    is_in_reach,
    keep_frames,
    kept_place,
    place_kept,
    store_frames,
)
from shimwise.record.record import Record
from shimwise.record.storage import Storage


def kept(folder: Path, said: list[str], names: list[str]) -> list[str]:
    settings = json.dumps({"frames": [{"file": file} for file in said]}).encode()
    files = [("sweep.json", io.BytesIO(settings)), *((name, io.BytesIO(b"frame")) for name in names)]
    place = keep_frames(cast("Any", SimpleNamespace(folder=folder)), uuid.uuid4().hex, files)
    return sorted(
        path.relative_to(place).as_posix()
        for path in place.rglob("*")
        if path.is_file() and path.name != "sweep.json"
    )


@pytest.mark.parametrize(
    ("said", "sent", "found"),
    [
        (["frames/a.png", "b.png"], ["a.png", "b.png"], ["b.png", "frames/a.png"]),
        (["../a.png"], ["a.png"], ["a.png"]),
        (["/etc/a.png"], ["a.png"], ["a.png"]),
        (["a/../../a.png"], ["a.png"], ["a.png"]),
        (["Frames/a.png"], ["a.png", "frames"], ["a.png", "frames"]),
        (["x/a.png", "y/a.png"], ["a.png"], ["x/a.png"]),
    ],
)
def test_a_file_goes_where_the_settings_name_it_if_that_lies_within(
    tmp_path: Path, said: list[str], sent: list[str], found: list[str]
) -> None:
    assert kept(tmp_path, said, sent) == found
    assert [path.name for path in tmp_path.iterdir()] == ["frames"]


def test_a_place_is_kept_from_the_records_folder_on_and_found_there_again(tmp_path: Path) -> None:
    record = cast("Any", SimpleNamespace(folder=tmp_path / "record"))
    place = tmp_path / "record" / "frames" / "a"
    assert kept_place(record, place) == "frames/a"
    assert kept_place(record, tmp_path / "elsewhere") == ""
    moved = tmp_path / "moved"
    assert place_kept(moved, "frames/a") == moved / "frames" / "a"
    assert place_kept(tmp_path / "record", str(place)) == place  # of an older record


@pytest.mark.parametrize("said", ["", "..", "frames/../../other", "/etc"])
def test_a_place_outside_of_the_record_is_none(tmp_path: Path, said: str) -> None:
    assert place_kept(tmp_path / "record", said) is None


def test_frames_that_a_killed_program_left_are_listed_and_others_are_not(tmp_path: Path) -> None:
    part, whole = f".{'a' * 32}.part", "b" * 32
    with Record.open(tmp_path) as record:
        assert frames_left(record) == ()
        for name in (part, whole, "mine"):
            (tmp_path / "frames" / name).mkdir(parents=True)
            (tmp_path / "frames" / name / "one.png").write_bytes(bytes(1_500_000))
        found = {one.subject: one.text for one in frames_left(record)}
        assert check(record) == ()
    assert set(found) == {f"frames/{part}", f"frames/{whole}"}
    assert found[f"frames/{part}"].startswith("1.5 MB of frames that did not come whole")
    assert found[f"frames/{whole}"].startswith("1.5 MB of frames that are of no sweep that is kept")


def test_frames_in_the_storage_are_known_again_and_found_by_check(house: House, tmp_path: Path) -> None:
    house.record.storage = Storage(tmp_path / "storage")
    prep, facts = (
        house.start(),
        SweepRequest(body_id=house.ids["A-01"], lens_id=house.ids["H50"], distance_text="3'"),
    )

    def sent(*frames: bytes) -> Path:
        files = [("sweep.json", io.BytesIO(b"{}"))]
        files += [(f"{number}.png", io.BytesIO(frame)) for number, frame in enumerate(frames)]
        return keep_frames(house.record, uuid.uuid4().hex, files)

    first = sent(b"one", b"three")
    kept = store_frames(house.record, first)
    shutil.rmtree(first)
    keep_sweep(
        house.record,
        prep.id,
        facts=facts,
        document={"is_relative": True, "sd_um": None},
        frames_place=kept,
        who=WHO,
    )
    with frames_at(house.record, kept) as place:
        assert {path.name for path in place.iterdir()} == {"sweep.json", "0.png", "1.png"}
    with pytest.raises(InputError, match="Of 2 frames 2 are those of the sweep of H50 on A-01"):
        sweep_task(house.record, prep.id, place=sent(b"one", b"three"), facts=facts)
    sweep_task(house.record, prep.id, place=sent(b"two", b"seven"), facts=facts)
    assert frames_kept(house.record) == FramesKept(in_folder=0, in_storage=1)

    house.record.storage.put(io.BytesIO(b"left over"))
    orphans = [one for one in frames_left(house.record, is_removed=True) if one.subject == "storage"]
    assert [one.text.partition(" Those")[0] for one in orphans] == ["1 file (0.0 MB) is of no sweep."]
    digest = kept.removeprefix("sha256:")
    assert not any("not there" in one.text for one in frames_left(house.record))
    frame = house.record.storage.files(digest)["0.png"].digest
    (tmp_path / "storage" / frame[:2] / frame).unlink()
    assert any("1 of 3 files of a sweep are not there" in one.text for one in frames_left(house.record))
    (tmp_path / "storage" / digest[:2] / digest).unlink()
    assert any(
        "the list of the frames of a sweep is not there" in one.text for one in frames_left(house.record)
    )
    assert not is_in_reach(house.record, kept)
    house.record.storage = None
    with pytest.raises(InputError, match="not in reach of this machine"), frames_at(house.record, kept):
        pass
