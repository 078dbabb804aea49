"""Where uploaded frames are put: into the folders that ``sweep.json`` names, and nowhere else."""

import io
import json
import uuid
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from shimwise.bench.sweep_frames import keep_frames


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
