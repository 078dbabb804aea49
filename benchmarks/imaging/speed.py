"""How long a frame and a sweep take after decoding, and how much memory. One process, one thread."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.chart.layout import ChartLayout, layout_from_json
from shimwise.imaging.chart.markers import find_markers, follow_markers
from shimwise.imaging.focus.result import SweepSettings
from shimwise.imaging.focus.sweep import measure_sweep
from shimwise.imaging.star.cells import solve_cells, sum_star
from shimwise.imaging.star.rings import plan_rings

from .cells import Cell
from .field import UHD
from .scores import Row
from .simulator import Simulator, Sweep

__all__ = ["SPEED_CELLS"]

Picture = NDArray[np.float32]


def frame_times(name: str, _sweeps: int, _seed: int) -> list[Row]:
    """Nine stars and four markers of one UHD frame, best of ten."""
    simulator = _simulator()
    sweep = simulator.sweep(1)
    frame, layout = sweep.frames[len(sweep.frames) // 2], layout_from_json(sweep.chart)
    stars = min(_timed(lambda: _measure_stars(frame, layout, simulator)) for _ in range(10))
    near = find_markers(frame, layout)
    if len(near) != len(layout.markers):
        raise RuntimeError(f"{len(near)} of {len(layout.markers)} markers were found in a sharp frame")
    follow = min(_timed(lambda: follow_markers(frame, near)) for _ in range(10))
    return [
        Row(name, "9-star UHD frame", f"{1e3 * stars:.1f} ms", "≤ 40 ms", stars <= 0.040),
        Row(name, "tracked markers", f"{1e3 * follow:.1f} ms", "≤ 10 ms", follow <= 0.010),
    ]


def sweep_times(name: str, _sweeps: int, _seed: int) -> list[Row]:
    """21 UHD TIFFs, and 21 frames of 8K, each measured in a process of its own."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        _write(Path(folder), _simulator().sweep(2))
        for scale, what, seconds_goal, gb_goal in ((1, "UHD", 3.0, 1.0), (2, "8K", None, 3.0)):
            command = [sys.executable, "-m", "benchmarks.imaging.speed", folder, str(scale)]
            out = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
            seconds, decoding, gb = (float(v) for v in out[-3:])
            met = None if seconds_goal is None else seconds <= seconds_goal
            goal = "tells" if seconds_goal is None else f"≤ {seconds_goal:g} s"
            note = f"and {decoding:.1f} s of decoding beside it"
            rows.append(Row(name, f"21 frames {what}, all fits", f"{seconds:.2f} s", goal, met, note))
            rows.append(Row(name, f"memory, {what}", f"{gb:.2f} GB", f"≤ {gb_goal:g} GB", gb <= gb_goal))
    return rows


def _simulator() -> Simulator:
    return Simulator(replace(UHD, range_um=100.0, phase=False, jitter_um=0.0, flicker=0.0))


def _timed(action: object) -> float:
    began = time.perf_counter()
    action()  # type: ignore[operator]
    return time.perf_counter() - began


def _measure_stars(frame: Picture, layout: ChartLayout, simulator: Simulator) -> None:
    spec, back = simulator.spec, np.linalg.inv(simulator.camera.homography)
    for star in layout.stars:
        plan = plan_rings(star, px_per_mm=spec.magnification * 1e3 / spec.pitch_um, pitch_um=spec.pitch_um)
        to_star = np.eye(3)
        to_star[:2, 2] = [-star.centre_mm[0], -star.centre_mm[1]]
        sums = sum_star(frame, left=0, top=0, to_star=to_star @ (back / back[2, 2]), plan=plan)
        solve_cells(sums.sums[None])


def _write(folder: Path, sweep: Sweep) -> None:
    for k, frame in enumerate(sweep.frames):
        cv2.imwrite(str(folder / f"{k:02d}.tif"), np.clip(frame * 65535, 0, 65535).astype(np.uint16))
    (folder / "chart.json").write_text(json.dumps(sweep.chart))
    (folder / "sweep.json").write_text(json.dumps(sweep.meta))


def _from_folder(folder: Path, scale: int, spent: list[float]) -> Iterator[tuple[float, Picture]]:
    meta = json.loads((folder / "sweep.json").read_text())
    for k, entry in enumerate(meta["frames"]):
        began = time.perf_counter()
        codes = cv2.imread(str(folder / f"{k:02d}.tif"), cv2.IMREAD_UNCHANGED)
        frame = np.asarray(codes, dtype=np.float32) / np.float32(65535)
        if scale > 1:
            frame = np.repeat(np.repeat(frame, scale, axis=0), scale, axis=1)
        spent.append(time.perf_counter() - began)
        yield entry["position_um"], frame


def measure_folder(folder: Path, scale: int) -> tuple[float, float, float]:
    """Seconds of measuring, seconds of decoding, GB at the highest."""
    layout = layout_from_json(json.loads((folder / "chart.json").read_text()))
    settings = SweepSettings(pitch_um=UHD.pitch_um / scale, fnumber=UHD.fnumber, focal_mm=UHD.focal_mm)
    spent: list[float] = []
    warm = islice(_from_folder(folder, 1, spent), 0, None, 3)  # compiles what is compiled once
    measure_sweep(warm, layout, replace(settings, pitch_um=UHD.pitch_um))
    spent.clear()
    began = time.perf_counter()
    measure_sweep(_from_folder(folder, scale, spent), layout, settings)
    decoding = sum(spent)
    gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    return time.perf_counter() - began - decoding, decoding, gb


SPEED_CELLS = [Cell("speed of a frame", frame_times, 0), Cell("speed of a sweep", sweep_times, 0)]
"""Run last and alone."""

if __name__ == "__main__":
    cv2.setNumThreads(1)
    sys.stdout.write(" ".join(f"{v:.4f}" for v in measure_folder(Path(sys.argv[1]), int(sys.argv[2]))) + "\n")
