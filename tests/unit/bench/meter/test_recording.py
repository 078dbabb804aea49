"""Frames of a feed kept as a sweep: a few even places of many frames, none without a pass."""

import json
from pathlib import Path

import numpy as np
import pytest

from shimwise.bench.meter.recording import MOST_PLACES, FrameKeeper
from shimwise.errors import ImagingError
from shimwise.imaging.frames.levels import CodeLevels
from shimwise.imaging.frames.source import open_sweep

LEVELS = CodeLevels(black=16.0, white=235.0, transfer="Rec.709", is_limited=True, bits=8)
STAR = {"id": "S0", "centre_mm": [0, 0], "radius_mm": 40, "spokes": 60}


def kept(folder: Path, place_um: np.ndarray) -> FrameKeeper:
    """Keep 100 grey frames whose codes rise, those with a place finished into a sweep."""
    chart = folder / "layout.json"
    chart.write_text(json.dumps({"unit": "mm", "stars": [STAR]}), encoding="utf-8")
    keeper = FrameKeeper(folder / "sweep")
    for k in range(100):
        keeper.add(0.04 * k, np.full((32, 48), 20 + k, np.uint8))
    times = 0.04 * np.arange(place_um.size)
    keeper.finish(times, place_um, chart=chart, levels=LEVELS, pitch_um=6.0, fnumber=2.0)
    return keeper


def test_even_places_stay_and_are_a_sweep(tmp_path: Path) -> None:
    keeper = kept(tmp_path, 30.0 * np.cos(np.linspace(0.0, 9.0, 100)))
    pictures = sorted(keeper.folder.glob("*.png"))
    assert 40 <= len(pictures) <= MOST_PLACES
    source = open_sweep(keeper.folder)
    positions = [
        entry["position_um"] for entry in json.loads((keeper.folder / "sweep.json").read_text())["frames"]
    ]
    assert positions == sorted(positions)
    assert np.diff(positions).max() < 3.0
    assert source.recording.placed_by == "pictures"  # no step is looked for in such positions


def test_without_places_all_frames_stay(tmp_path: Path) -> None:
    keeper = kept(tmp_path, np.zeros(0))
    assert len(list(keeper.folder.glob("*.png"))) == 100
    assert not (keeper.folder / "sweep.json").exists()


def test_a_folder_with_something_in_it_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ImagingError, match="is not empty"):
        FrameKeeper(tmp_path)
