"""Cells without a star: slanted edges against the analytic system, and a texture without any chart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import Edge
from shimwise.imaging.focus.texture import fit_relative_peak, gradient_energy
from shimwise.imaging.star.edge import square_transfers

from .cells import Cell, CellRun
from .layout import Square
from .rivals import gaussian_peak_um, laplacian_variances, tenengrads
from .scores import Row, Score, coverage, rms
from .simulator import Simulator, SweepSpec
from .transfer import optical_transfer, pixel_transfer

__all__ = ["DETAIL_CELLS"]

Floats = NDArray[np.float64]
FREQUENCY_CY_PX = np.linspace(0.05, 0.42, 38)


def slanted_edge(spec: SweepSpec, limit: float) -> CellRun:
    """Sides of the squares in single frames within 45 µm of focus against lens times pixel."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        simulator, errors, lost, sides = Simulator(spec), [], 0, 0
        for number in range(seed, seed + sweeps):
            sweep = simulator.sweep(number)
            true = np.array(sweep.truth["true_positions_um"])
            near = np.flatnonzero(np.abs(true) < 45.0)
            for k in near[:: max(1, len(near) // 3)]:  # three frames a sweep: each has eight sides
                for square in simulator.printed:
                    found = _sides(simulator, square, sweep.frames[int(k)])
                    lost, sides = lost + 4 - len(found), sides + 4
                    expected = _expected(spec, true[k])
                    errors += [side - expected for side in found]
        value, mean = rms(errors), float(np.max(np.abs(np.mean(errors, axis=0))))
        note = f"{sides} sides, {lost} refused"
        return [
            Row(name, "one side, one frame, rms", f"{value:.4f}", f"≤ {limit}", value <= limit, note),
            Row(
                name, "largest mean error of a frequency", f"{mean:.4f}", "tells", None, "0.05–0.42 cycles/px"
            ),
        ]

    return run


def _sides(simulator: Simulator, square: object, frame: NDArray[np.float32]) -> list[Floats]:
    if not isinstance(square, Square):
        return []
    place = (square.x_mm, square.y_mm)
    edge = Edge(id=square.name, centre_mm=place, side_mm=square.side_mm, angle_deg=square.angle_deg)
    homography = simulator.camera.homography
    return [side.at(FREQUENCY_CY_PX) for side in square_transfers(frame, edge, homography / homography[2, 2])]


def _expected(spec: SweepSpec, defocus_um: float) -> Floats:
    turn = np.deg2rad(5.0 + spec.roll_deg)
    pixel = pixel_transfer(FREQUENCY_CY_PX * np.cos(turn)) * pixel_transfer(FREQUENCY_CY_PX * np.sin(turn))
    per_mm = FREQUENCY_CY_PX * 1e3 / spec.pitch_um
    lens = optical_transfer(per_mm, defocus_um, fnumber=spec.fnumber, wavelengths_um=spec.wavelengths_um)
    return np.asarray(np.abs(lens * pixel))


def no_chart(spec: SweepSpec) -> CellRun:
    """A texture with exact positions, beside the rivals on the same frames."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        simulator, found, rivals, lost = Simulator(spec), [], [], 0
        for number in range(seed, seed + sweeps):
            sweep = simulator.sweep(number)
            frames = list(sweep.frames)
            try:
                peak = fit_relative_peak(sweep.positions_um, np.array([gradient_energy(f) for f in frames]))
            except ImagingError:
                lost += 1
                continue
            found.append([peak.best_um, peak.low_um, peak.high_um, sweep.truth["best_um"]])
            curves = (tenengrads(frames), laplacian_variances(frames))
            rivals.append([gaussian_peak_um(sweep.positions_um, c) - sweep.truth["best_um"] for c in curves])
        best, low, high, truth = np.array(found).T
        score = Score.of(best, low, high, truth, lost)
        tenengrad, laplacian = (rms(column) for column in np.array(rivals).T)
        note = (
            f"Tenengrad {tenengrad:.3f}, variance of Laplacian {laplacian:.3f} µm; bias {score.bias:+.4f} µm"
        )
        return [
            Row(name, "rms", f"{score.rms:.4f} µm", "≤ 0.15 µm", score.rms <= 0.15, note),
            *coverage(score, name, low=0.92),
        ]

    return run


def _cells() -> list[Cell]:
    squares = SweepSpec(width=1800, height=700, stars=0, edges=True, quiet_paper=True, range_um=50.0)
    texture = SweepSpec(width=384, height=384, texture=True)
    cells: list[tuple[str, CellRun]] = [
        ("slanted edge, low noise", slanted_edge(replace(squares, noise="low"), 0.01)),
        ("slanted edge, high noise", slanted_edge(replace(squares, noise="high"), 0.02)),
        ("no chart, texture, f/2.8", no_chart(texture)),
    ]
    return [Cell(name, run, 300_000 + 1000 * k) for k, (name, run) in enumerate(cells)]


DETAIL_CELLS = _cells()
"""Cells without a star; the k-th starts at seed 300000 + 1000 k."""
