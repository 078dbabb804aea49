"""A small invented sweep as a folder of files, for what is measured about many of them."""

import json
from pathlib import Path

import cv2
import numpy as np

from benchmarks.imaging.simulator import Simulator, SweepSpec

SMALL = SweepSpec(
    width=400,
    height=300,
    star_px=170,
    spokes=48,
    markers=True,
    range_um=60.0,
    best_um=9.0,
    phase=False,
    magnification=0.05,
    focal_mm=50.0,
)
_KNOWN = ("width", "height", "pitch_um", "fnumber", "focal_mm")


def write_sweep(place: Path, seed: int, spec: SweepSpec = SMALL) -> Path:
    """Make the folder ``place`` with frames of 16 bits, ``sweep.json`` and ``chart.json``; return it."""
    sweep = Simulator(spec).sweep(seed)
    place.mkdir()
    frames = []
    for number, (frame, um) in enumerate(zip(sweep.frames, sweep.positions_um.tolist(), strict=True)):
        codes = np.round(np.clip(np.asarray(frame) * 60000 + 2000, 0, 65535)).astype(np.uint16)
        cv2.imwrite(str(place / f"{number:03d}.png"), codes, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        frames.append({"file": f"{number:03d}.png", "position_um": um})
    known = {key: sweep.meta[key] for key in _KNOWN} | {
        **{"transfer": "linear", "black_level": 2000, "white_level": 62000, "bit_depth": 16},
        **{"wavelength_um": [0.55], "chart": "chart.json", "frames": frames},
    }
    (place / "chart.json").write_text(json.dumps(sweep.chart), encoding="utf-8")
    (place / "sweep.json").write_text(json.dumps(known), encoding="utf-8")
    return place
