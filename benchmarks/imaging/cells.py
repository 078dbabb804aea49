"""The cells of the accuracy table for single stars: sweeps with truth in, rows of measured beside goal out.

A cell is a function of the number of sweeps and of its first seed; seeds run upward from there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .crb import peak_bound
from .measure import Peak, measured, peak_of
from .rivals import gaussian_peak_um, laplacian_variances, tenengrads
from .scores import Row, Score, coverage, rms
from .simulator import Simulator, SweepSpec
from .transfer import pixel_transfer, star_transfer

__all__ = ["SINGLE_CELLS", "Cell", "CellRun"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cell:
    """A named cell, its first seed, and how dear one of its sweeps is beside a single star's."""

    name: str
    run: Callable[[str, int, int], list[Row]]
    seed: int
    cost: float = 1.0


CellRun = Callable[[str, int, int], list[Row]]


def peaks(spec: SweepSpec, sweeps: int, seed: int) -> Iterator[tuple[Simulator, int, Peak | None]]:
    """Measure many sweeps of a spec."""
    simulator = Simulator(spec)
    for number in range(seed, seed + sweeps):
        yield simulator, number, peak_of(simulator, simulator.sweep(number))


def score_of(found: list[Peak | None]) -> Score:
    """Score peaks; refused sweeps are counted as lost, withheld ones too."""
    good = [peak for peak in found if peak is not None]
    lost = len(found) - len(good) + sum(peak.withheld for peak in good)
    best, low, high, truth = np.array([[p.best_um, p.low_um, p.high_um, p.truth_um] for p in good]).T
    return Score.of(best, low, high, truth, lost)


def flags_of(found: list[Peak | None]) -> str:
    """Count of each flag raised."""
    counts = Counter(flag for peak in found if peak is not None for flag in peak.flags)
    return ", ".join(f"{name} {count}" for name, count in counts.most_common())


def exact_positions(spec: SweepSpec, limit_um: float = 0.02) -> CellRun:
    """Exact positions: rms against the bound, the interval, and a control that a false truth is seen."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        found = [peak for _, _, peak in peaks(spec, sweeps, seed)]
        score, bound = score_of(found), peak_bound(replace(spec, offset_px=(0.37, -0.21)))
        ratio = score.rms / bound.all_known_um
        note = f"{spec.frames} frames; bound {1e3 * bound.all_known_um:.2f} nm known, "
        note += f"{1e3 * bound.all_free_um:.2f} nm with N, W040, tone free; bias {1e3 * score.bias:+.2f} nm"
        moved = np.mean(np.abs(score.errors + 5 * bound.all_known_um) <= score.halves)
        return [
            Row(name, "rms / bound", f"{ratio:.2f}", "≤ 1.5", ratio <= 1.5, note),
            Row(
                name, "rms", f"{score.rms:.4f} µm", f"≤ {limit_um} µm", score.rms <= limit_um, flags_of(found)
            ),
            *coverage(score, name, low=0.92),
            Row(
                name,
                "control: truth moved by 3 bounds",
                f"{100 * moved:.0f} % held",
                "< 60 %",
                bool(moved < 0.6),
            ),
        ]

    return run


def growing_picture(spec: SweepSpec) -> CellRun:
    """Check the peak when the picture grows as the sensor moves, star off the middle."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        found = [peak for _, _, peak in peaks(spec, sweeps, seed)]
        score = score_of(found)
        rows = [Row(name, "rms", f"{score.rms:.4f} µm", "≤ 0.03 µm", score.rms <= 0.03, flags_of(found))]
        return rows + coverage(score, name, low=0.92)

    return run


def wrong_positions(spec: SweepSpec) -> CellRun:
    """Recorded positions off and light that flickers, against the rivals on the same frames."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        simulator, found, rivals = Simulator(spec), [], []
        for number in range(seed, seed + sweeps):
            sweep = simulator.sweep(number)
            frames = list(sweep.frames)
            found.append(peak_of(simulator, sweep, frames))
            truth = sweep.truth["best_um"]
            curves = (tenengrads(frames), laplacian_variances(frames))
            rivals.append([gaussian_peak_um(sweep.positions_um, curve) - truth for curve in curves])
        return _wrong_position_rows(name, spec, found, np.array(rivals))

    return run


def _wrong_position_rows(name: str, spec: SweepSpec, found: list[Peak | None], rivals: Floats) -> list[Row]:
    score = score_of(found)
    goal = 1.3 * spec.jitter_um / np.sqrt(spec.frames)
    tenengrad, laplacian = (rms(column) for column in rivals.T)
    better = min(tenengrad, laplacian) / score.rms
    naive = np.mean(
        np.abs(score.errors) <= 1.96 * peak_bound(replace(spec, jitter_um=0, flicker=0)).all_free_um
    )
    note = f"Tenengrad {tenengrad:.3f} µm, variance of Laplacian {laplacian:.3f} µm rms"
    return [
        Row(name, "rms", f"{score.rms:.4f} µm", f"≤ {goal:.3f} µm", bool(score.rms <= goal), flags_of(found)),
        Row(name, "better than the better rival", f"{better:.2f} ×", "≥ 2 ×", better >= 2.0, note),
        *coverage(score, name, low=0.92, high=0.98),
        Row(
            name,
            "control: bars of pixel noise alone",
            f"{100 * naive:.0f} % held",
            "< 60 %",
            bool(naive < 0.6),
        ),
    ]


def aberrated(spec: SweepSpec) -> CellRun:
    """Spherical aberration: bias against the named band's peak; control, a symmetric fit."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        simulator, found = Simulator(spec), []
        for number in range(seed, seed + sweeps):
            sweep = simulator.sweep(number)
            found.append(peak_of(simulator, sweep))
        score, last = score_of(found), simulator.sweep(seed)
        symmetric = gaussian_peak_um(last.positions_um, tenengrads(list(last.frames))) - last.truth["best_um"]
        bias = abs(score.bias)
        note = f"band's peak {last.truth['band_shift_um']:+.2f} µm from paraxial; {flags_of(found)}"
        return [
            Row(name, "bias", f"{score.bias:+.4f} µm, rms {score.rms:.4f}", "≤ 0.1 µm", bias <= 0.1, note),
            *coverage(score, name, low=0.92),
            Row(name, "control: symmetric fit, Tenengrad", f"off by {symmetric:+.2f} µm", "tells", None),
        ]

    return run


def modulation(spec: SweepSpec, limit: float) -> CellRun:
    """Ring means of single frames against the analytic system: lens, pixel, spokes, contrast."""

    def run(name: str, sweeps: int, seed: int) -> list[Row]:
        simulator, errors = Simulator(spec), []
        for number in range(seed, seed + sweeps):
            sweep = simulator.sweep(number)
            star = measured(simulator, sweep).stars[0]
            true = np.array(sweep.truth["true_positions_um"])
            near = np.flatnonzero(np.abs(true) < 45.0)
            expected = np.array([_expected(star.data.frequency_cy_mm, z, spec) for z in true[near]])
            errors.append(star.data.modulation[near] / spec.contrast - expected)
        value = rms(errors)
        bias = float(np.max(np.abs(np.mean(errors, axis=(0, 1)))))
        return [
            Row(name, "ring means, single frames, rms", f"{value:.5f}", f"≤ {limit}", value <= limit),
            Row(name, "largest mean error of a ring", f"{bias:.5f}", "tells", None, "20 rings, ±45 µm"),
        ]

    return run


def _expected(frequency_cy_mm: Floats, defocus_um: float, spec: SweepSpec) -> Floats:
    """Modulation of each ring, the mean over its radii (weight r) and angles; edges midway between rings."""
    middle = (frequency_cy_mm[1:] + frequency_cy_mm[:-1]) / 2
    edges = np.concatenate(
        [[2 * frequency_cy_mm[0] - middle[0]], middle, [2 * frequency_cy_mm[-1] - middle[-1]]]
    )
    steps = (np.arange(5) + 0.5) / 5
    radius = 1 / edges[1:, None] + (1 / edges[:-1] - 1 / edges[1:])[:, None] * steps
    optics: dict[str, Any] = {
        "fnumber": spec.fnumber,
        "wavelengths_um": spec.wavelengths_um,
        "w040_waves": spec.w040_waves,
    }
    lens = star_transfer(1 / radius, defocus_um, spokes=spec.spokes, **optics)
    angle = np.linspace(0.0, np.pi / 2, 65)[:-1] + np.pi / 256
    per_px = spec.pitch_um * 1e-3 / radius[..., None]
    pixel = np.mean(pixel_transfer(per_px * np.cos(angle)) * pixel_transfer(per_px * np.sin(angle)), axis=-1)
    weight = radius / radius.sum(axis=1, keepdims=True)
    return np.asarray(np.sum(lens * pixel * weight, axis=1))


def _single() -> list[Cell]:
    cells = []
    for fnumber, step in [(n, s) for n in (1.4, 2.8, 4.0) for s in (5.0, 10.0, 20.0)] + [(2.0, 10.0)]:
        spec = SweepSpec(fnumber=fnumber, step_um=step, range_um=50.0 if step == 5 else 100.0)
        cells.append((f"exact positions, f/{fnumber:g}, {step:g} µm", exact_positions(spec)))
    for fnumber in (1.4, 2.8):
        spec = SweepSpec(
            fnumber=fnumber,
            exit_pupil_mm=80.0,
            width=900,
            height=700,
            offset_px=(220.0, -130.0),
            quiet_paper=True,
        )
        cells.append((f"growing picture, f/{fnumber:g}", growing_picture(spec)))
    for fnumber in (1.4, 2.0, 2.8, 4.0):
        spec = SweepSpec(fnumber=fnumber, jitter_um=0.5, flicker=0.01)
        cells.append((f"positions off 0.5 µm, flicker 1 %, f/{fnumber:g}", wrong_positions(spec)))
    for fnumber, w040 in ((1.4, 0.5), (2.8, 0.25), (2.8, 0.5), (2.8, -0.5)):
        spec = SweepSpec(fnumber=fnumber, w040_waves=w040)
        cells.append((f"spherical {w040:+g} waves, f/{fnumber:g}", aberrated(spec)))
    spec = SweepSpec(fnumber=2.8, w040_waves=0.5, jitter_um=0.5, flicker=0.01)
    cells.append(("spherical +0.5 waves, positions off, f/2.8", aberrated(spec)))
    for noise, limit in (("low", 0.003), ("high", 0.005)):
        cells.append((f"modulation, {noise} noise", modulation(SweepSpec(noise=noise), limit)))
    return [Cell(name, run, 100_000 + 1000 * k) for k, (name, run) in enumerate(cells)]


SINGLE_CELLS = _single()
"""Cells of one star each; the k-th starts at seed 100000 + 1000 k."""
