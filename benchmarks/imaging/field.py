"""Cells of whole frames: tilt, pose, and what recording, lens and print do to them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import layout_from_json
from shimwise.imaging.chart.markers import find_markers
from shimwise.imaging.chart.pose import fit_pose
from shimwise.imaging.focus.flags import Flag
from shimwise.imaging.focus.result import SweepResult

from .cells import Cell, CellRun
from .codecs import bayer_green, gamma_8_bit, h264_clip, log_10_bit
from .measure import measured
from .scores import Row, Score, coverage, rms
from .simulator import Simulator, Sweep, SweepSpec

__all__ = ["FIELD_CELLS"]

Picture = NDArray[np.float32]
Floats = NDArray[np.float64]

UHD = SweepSpec(
    width=3840,
    height=2160,
    range_um=80.0,
    best_um=3.0,
    tilt_x_um=8.0,
    tilt_y_um=-5.0,
    curvature_um=4.0,
    exit_pupil_mm=80.0,
    jitter_um=0.5,
    flicker=0.01,
    markers=True,
    quiet_paper=True,
    stars=9,
)
SMALL = replace(
    UHD,
    width=1280,
    height=720,
    star_px=300.0,
    small_star_px=160.0,
    small_spokes=40,
    stars=5,
    curvature_um=0.0,
)
PRINTS = 20
"""Sheets on which the error of print placement is drawn: one sheet alone has one error in all its sweeps."""


def tilt(spec: SweepSpec) -> CellRun:
    """Tilt of the sensor, the chart's own share removed, and the chart's pose from the same sweeps."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        simulator = Simulator(spec)
        found, raw, poses = [], [], []
        for number in range(seed, seed + sweeps):
            sweep = simulator.sweep(number)
            result = measured(simulator, sweep)
            found.append(result)
            raw.append(_raw_tilt(result, spec))
            poses.append(_markers_alone(sweep, spec))
        rows = _tilt_rows(name, found, spec)
        if spec.yaw_deg:
            rows += _yaw_rows(name, found, np.array(raw), spec)
            rows += _pose_rows(name, found, np.array(poses), spec)
        return rows

    return run


def _tilt_rows(name: str, found: Sequence[SweepResult], spec: SweepSpec) -> list[Row]:
    rows = []
    fields = [result.field for result in found if result.field is not None]
    for axis, truth in (("tilt_x", spec.tilt_x_um), ("tilt_y", spec.tilt_y_um)):
        told = [getattr(field, axis) for field in fields if getattr(field, axis) is not None]
        best, low, high = np.array([[e.value_um, e.low_um, e.high_um] for e in told]).T
        score = Score.of(best, low, high, np.full(len(told), truth), len(found) - len(told))
        note = f"bias {score.bias:+.4f} µm"
        rows.append(Row(name, f"{axis} rms", f"{score.rms:.4f} µm", "≤ 0.2 µm", score.rms <= 0.2, note))
        rows += [
            replace(row, what=f"{axis}: {row.what}") for row in coverage(score, name, low=0.90, high=0.98)
        ]
    centre = np.array(
        [[f.centre.value_um, f.centre.low_um, f.centre.high_um, spec.best_um] for f in fields]
    ).T
    score = Score.of(*centre)
    rows.append(Row(name, "best at the centre, rms", f"{score.rms:.4f} µm", "tells", None))
    return rows + [replace(r, what=f"best: {r.what}") for r in coverage(score, name, low=0.92, high=0.98)]


def _yaw_rows(name: str, found: Sequence[SweepResult], raw: Floats, spec: SweepSpec) -> list[Row]:
    left = np.mean([r.field.tilt_x.value_um for r in found if r.field and r.field.tilt_x]) - spec.tilt_x_um
    off = float(np.mean(raw)) - spec.tilt_x_um
    return [
        Row(name, "yaw's share left in tilt_x", f"{left:+.4f} µm", "≤ 0.1 µm", bool(abs(left) <= 0.1)),
        Row(name, "control: share not removed", f"off by {off:+.2f} µm", "> 1 µm", abs(off) > 1.0),
    ]


def _pose_rows(name: str, found: Sequence[SweepResult], alone: Floats, spec: SweepSpec) -> list[Row]:
    refined = np.array([[r.pose.yaw_deg, r.pose.pitch_deg, r.pose.magnification] for r in found if r.pose])
    rows = []
    for label, poses, turn, share in (
        ("markers alone", alone, 0.1, 3e-4),
        ("with stars", refined, 0.01, 1e-5),
    ):
        angles = poses[:, :2] - [spec.yaw_deg, spec.pitch_deg]
        m = poses[:, 2] / spec.magnification - 1.0
        worst = f"worst {np.abs(angles).max():.4f}°"
        rows.append(
            Row(name, f"pose, {label}", f"{rms(angles):.4f}° rms", f"≤ {turn}°", rms(angles) <= turn, worst)
        )
        worst = f"worst {np.abs(m).max():.1e}"
        rows.append(Row(name, f"m, {label}", f"{rms(m):.1e} rms", f"≤ {share:.0e}", rms(m) <= share, worst))
    return rows


def _raw_tilt(result: SweepResult, spec: SweepSpec) -> float:
    """Tilt in x by a plain plane through the stars' peaks as measured, the chart's turn left in."""
    x = np.array(
        [
            [(s.x_px - spec.width / 2) / spec.width, (s.y_px - spec.height / 2) / spec.height, 1.0]
            for s in result.stars
        ]
    )
    return float(np.linalg.lstsq(x, np.array([s.best_um for s in result.stars]), rcond=None)[0][0])


def _markers_alone(sweep: Sweep, spec: SweepSpec) -> list[float]:
    """Yaw, pitch and magnification from the markers of the frame nearest position 0."""
    index = int(np.argmin(np.abs(sweep.positions_um)))
    layout = layout_from_json(sweep.chart)
    seen, sheet = find_markers(sweep.frames[index], layout), layout.marker_corners_mm()
    chart_mm, px = (np.concatenate([source[k] for k in seen]) for source in (sheet, seen))
    pose = fit_pose(
        chart_mm,
        px,
        np.ones(len(px)),
        focal_mm=spec.focal_mm,
        pitch_um=spec.pitch_um,
        size_px=(spec.width, spec.height),
    )
    return [pose.yaw_deg, pose.pitch_deg, pose.magnification]


def degraded(
    spec: SweepSpec,
    record: Callable[[Sequence[Picture]], Sequence[Picture]] | None = None,
    *,
    prints: int = 1,
    is_flagged: bool = False,
) -> CellRun:
    """What a recording, a lens or a print does to peak, tilt and interval; so many sheets are printed.

    ``is_flagged``: the reader of such files flags each sweep, whatever the picture shows.
    """

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        each = -(-sweeps // prints)
        rows: list[list[float]] = []
        flags: Counter[str] = Counter()
        lost = 0
        for number in range(seed, seed + sweeps):
            if (number - seed) % each == 0:
                simulator = Simulator(replace(spec, print_seed=spec.print_seed + (number - seed) // each))
            sweep = simulator.sweep(number)
            frames = record(list(sweep.frames)) if record else None
            try:
                result = measured(simulator, sweep, frames)
            except ImagingError:
                lost += 1
                continue
            raised_here = {raised.flag.short for raised in result.flags}
            raised_here |= {Flag.PREDICTED_FRAMES.short} if is_flagged else set()
            flags.update(raised_here)
            if result.field is None or result.field.tilt_x is None:
                lost += 1
                continue
            centre, across = result.field.centre, result.field.tilt_x
            told = [[e.value_um, e.low_um, e.high_um] for e in (centre, across)]
            rows.append([*told[0], *told[1], float(bool(raised_here))])
        return _degraded_rows(name, np.array(rows).T, spec, flags, lost)

    return run


def _degraded_rows(name: str, columns: Floats, spec: SweepSpec, flags: Counter[str], lost: int) -> list[Row]:
    note = ", ".join(f"{flag} {count}" for flag, count in flags.most_common())
    if not columns.size:
        return [Row(name, "peak", "none told", "interval ≥ 90 % or a flag", bool(note), note)]
    rows = []
    flagged = columns[6] > 0
    truths = (("peak", columns[:3], spec.best_um), ("tilt_x", columns[3:6], spec.tilt_x_um))
    for what, (best, low, high), truth in truths:
        score = Score.of(best, low, high, np.full(best.size, truth), lost)
        told = f"bias {score.bias:+.3f}, rms {score.rms:.3f} µm; holds {100 * score.coverage:.1f} %"
        safe = float(np.mean(score.held | flagged))
        width = f"half width {np.median(score.halves):.3f} µm; holds or flagged {100 * safe:.0f} %"
        rows.append(
            Row(name, what, told, "interval ≥ 90 % or a flag", safe >= 0.9, f"{width}; {note}".rstrip("; "))
        )
    return rows


def _cells() -> list[Cell]:
    cells: list[tuple[str, CellRun, float]] = [
        ("tilt, 5 stars, UHD", tilt(replace(UHD, stars=5, curvature_um=0.0)), 6.0),
        ("tilt, 9 stars, UHD, yaw 1.5°, pitch −0.7°", tilt(replace(UHD, yaw_deg=1.5, pitch_deg=-0.7)), 8.0),
        ("as it is (compare below)", degraded(SMALL), 2.0),
        ("green of a Bayer mosaic", degraded(SMALL, bayer_green), 2.0),
        ("8-bit gamma 1/2.2", degraded(SMALL, gamma_8_bit), 2.0),
        ("10-bit log", degraded(SMALL, log_10_bit), 2.0),
        (
            "H.264, 8 bit, crf 18",
            degraded(replace(SMALL, quiet_paper=False), h264_clip, is_flagged=True),
            4.0,
        ),
        ("barrel distortion 1 %", degraded(replace(SMALL, barrel=0.01)), 2.0),
        ("print placement off 0.1 mm", degraded(replace(SMALL, print_error_mm=0.1), prints=PRINTS), 2.0),
    ]
    return [Cell(name, run, 200_000 + 1000 * k, cost) for k, (name, run, cost) in enumerate(cells)]


FIELD_CELLS = _cells()
"""Cells of whole frames; the k-th starts at seed 200000 + 1000 k."""
