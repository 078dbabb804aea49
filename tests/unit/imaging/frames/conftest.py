"""A sweep's folder with its description."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture
def sweep_folder(tmp_path: Path) -> Callable[..., Path]:
    """Write a folder of a sweep: files by name, and sweep.json with what is given beside the frames."""

    def write(files: dict[str, bytes], *, positions: Sequence[float] | None = None, **described: Any) -> Path:  # noqa: ANN401
        folder = tmp_path / "sweep"
        (folder / "frames").mkdir(parents=True)
        for name, data in files.items():
            (folder / name).write_bytes(data)
        places = positions if positions is not None else range(len(files))
        rows = [{"file": n, "position_um": float(p)} for n, p in zip(files, places, strict=True)]
        (folder / "sweep.json").write_text(json.dumps({"frames": rows, "transfer": "linear", **described}))
        return folder

    return write
