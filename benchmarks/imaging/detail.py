"""Cells without a star: a texture without any chart."""

from __future__ import annotations

import numpy as np

from shimwise.errors import ImagingError
from shimwise.imaging.focus.texture import fit_relative_peak, gradient_energy

from .cells import Cell, CellRun
from .rivals import gaussian_peak_um, laplacian_variances, tenengrads
from .scores import Row, Score, coverage, rms
from .simulator import Simulator, SweepSpec

__all__ = ["DETAIL_CELLS"]

FIRST_SEED = 302_000


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


DETAIL_CELLS = [
    Cell("no chart, texture, f/2.8", no_chart(SweepSpec(width=384, height=384, texture=True)), FIRST_SEED)
]
"""Cells without a star."""
