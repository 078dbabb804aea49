"""Invented sweeps on disk for whole commands: 16-bit PNG frames beside sweep.json and chart.json."""

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from benchmarks.imaging.simulator import Simulator, SweepSpec  # noqa: E402

from once_in_a_run import once_in_a_run  # noqa: E402

FOCAL_MM, MAGNIFICATION = 50.0, 0.05
DISTANCE_MM = FOCAL_MM * (2 + MAGNIFICATION + 1 / MAGNIFICATION)
"""Taped distance by the thin lens's f(2 + m + 1/m)."""
BEST_UM = 9.0
SMALL = SweepSpec(
    width=400,
    height=300,
    star_px=170,
    spokes=48,
    markers=True,
    range_um=60.0,
    best_um=BEST_UM,
    phase=False,
    magnification=MAGNIFICATION,
    focal_mm=FOCAL_MM,
)
"""One star with its markers."""
CHART_MOVES = replace(SMALL, fnumber=4.0, exit_pupil_mm=-FOCAL_MM * MAGNIFICATION)
"""The picture grows as the chart comes nearer: m(D)/m0 = 1 - p/(f m0), what a pupil at -f m0 would do."""
TEXTURE = SweepSpec(
    width=360, height=300, texture=True, range_um=60.0, best_um=BEST_UM, phase=False, magnification=0.02
)
ONE_STAR = SweepSpec(
    width=240, height=240, star_px=210, spokes=48, range_um=60.0, best_um=BEST_UM, phase=False
)


def _frames(spec: SweepSpec) -> tuple[list[NDArray[np.uint16]], dict[str, Any], dict[str, Any], list[float]]:
    sweep = Simulator(spec).sweep(3)
    codes = [
        np.round(np.clip(np.asarray(f) * 60000 + 2000, 0, 65535)).astype(np.uint16) for f in sweep.frames
    ]
    return codes, sweep.meta, sweep.chart, sweep.positions_um.tolist()


def invented_frames(spec: SweepSpec) -> tuple[list[NDArray[np.float32]], dict[str, Any], list[float]]:
    """Frames in linear light (1 is full scale), the chart's layout, and the frames' positions, µm."""
    return once_in_a_run(_invented, spec)


def _invented(spec: SweepSpec) -> tuple[list[NDArray[np.float32]], dict[str, Any], list[float]]:
    sweep = Simulator(spec).sweep(3)
    return list(sweep.frames), sweep.chart, sweep.positions_um.tolist()


def write_sweep(
    folder: Path,
    spec: SweepSpec = SMALL,
    *,
    place: Callable[[float], dict[str, Any]] = lambda um: {"position_um": um},
    has_chart: bool = True,
    **changes: Any,  # noqa: ANN401
) -> Path:
    """Write a sweep into a folder; ``place`` gives what a frame's position is called."""
    codes, meta, chart, positions = once_in_a_run(_frames, spec)
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for number, (frame, um) in enumerate(zip(codes, positions, strict=True)):
        name = f"{number:03d}.png"
        assert cv2.imwrite(str(folder / name), frame, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        rows.append({"file": name, **place(um)})
    known = {key: meta[key] for key in ("width", "height", "pitch_um", "fnumber", "focal_mm")}
    known |= {"transfer": "linear", "black_level": 2000, "white_level": 62000, "wavelength_um": [0.55]}
    if has_chart:
        (folder / "chart.json").write_text(json.dumps(chart), encoding="utf-8")
        known["chart"] = "chart.json"
    (folder / "sweep.json").write_text(json.dumps({**known, **changes, "frames": rows}), encoding="utf-8")
    return folder


def ring_mm(position_um: float) -> float:
    """Where a ring stands that extends the lens by so much more than the chart asks, by f(2 + m + 1/m)."""
    m = MAGNIFICATION + position_um / 1e3 / FOCAL_MM
    return FOCAL_MM * (2 + m + 1 / m)


def chart_mm(position_um: float) -> float:
    """Where a chart stands whose picture lies as far before the sensor's place as the sensor goes away."""
    return ring_mm(-position_um)
