"""One sweep of a cell: formed, written as files, measured, and held against its truth."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.imaging.rivals import gaussian_peak_um, laplacian_variances, tenengrads
from benchmarks.worlds.frames.camera import luma
from benchmarks.worlds.frames.cells import SweepCell
from benchmarks.worlds.frames.files import write_clip, write_sweep
from benchmarks.worlds.frames.sweep import Sweep
from shimwise.bench.sweep.measure import LookedAt, Recording, measure
from shimwise.errors import ImagingError

Z95 = 1.96


@dataclass(frozen=True, kw_only=True)
class Row:
    """One measured sweep; lengths in µm, NaN where nothing was reported.

    ``others`` are the errors of the alternatives, ``near`` whether one of them (or the number) holds the
    truth in its interval; ``rivals`` the errors of a Gaussian fitted to gradient energy and to the variance
    of the Laplacian, of the centre star; ``seconds`` the processor's time for all of the measuring. The truth
    of a sweep with one star is that star's own: tilt cannot be taken out.
    """

    cell: str
    seed: int
    error: float
    half: float
    near: bool
    codes: tuple[str, ...]
    withheld: bool
    tilt: tuple[float, float]
    tilt_sd: tuple[float, float]
    tilt_truth: tuple[float, float]
    others: tuple[float, ...]
    rivals: tuple[float, float]
    seconds: float

    @property
    def holds(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return abs(self.error) <= self.half


def measured(cell: SweepCell, *, seed: int) -> Row:
    """Form a sweep and measure it; a refusal counts as withheld."""
    made = replace(cell, setup=replace(cell.setup, codec="")) if cell.setup.codec else cell
    sweep = made.make(seed=seed)
    with TemporaryDirectory() as folder:
        place, options = _written(Path(folder), sweep, cell)
        began = time.process_time()
        try:
            document: dict[str, Any] = measure(place, **options).document
        except ImagingError as error:
            document = {"best_um": None, "tilt": {}, "alternatives": [], "notices": [{"code": str(error)}]}
        seconds = time.process_time() - began
    return _row(cell, sweep, document, seed=seed, seconds=seconds)


def _written(folder: Path, sweep: Sweep, cell: SweepCell) -> tuple[Path, dict[str, Any]]:
    setup = cell.setup
    if not setup.codec:
        write_sweep(folder / "sweep", sweep)
        return folder / "sweep", {}
    clip = folder / "clip.mp4" if setup.codec.startswith("H.264") else folder / "clip.mov"
    write_clip(clip, sweep, setup.codec)
    known = Recording(
        pitch_um=setup.pitch_um,
        fnumber=setup.lens.fnumber,
        focal_mm=setup.lens.focal_mm,
        transfer=setup.camera.tone,
        signal_range="limited",
    )
    looked_at = LookedAt(chart=folder / "chart.json")
    return clip, {"positions": folder / "positions.csv", "looked_at": looked_at, "recording": known}


def _row(cell: SweepCell, sweep: Sweep, document: dict[str, Any], *, seed: int, seconds: float) -> Row:
    truth, best = _truth_um(sweep), document["best_um"]
    others = [(one["best_um"] - truth, one) for one in document["alternatives"] if _is_slip(one["code"])]
    within = [one["low_um"] <= truth <= one["high_um"] for _, one in others]
    if best is not None:
        within.append(document["low_um"] <= truth <= document["high_um"])
    tilt = document["tilt"]
    return Row(
        cell=cell.name,
        seed=seed,
        error=math.nan if best is None else best - truth,
        half=math.nan if best is None else (document["high_um"] - document["low_um"]) / 2,
        near=any(within),
        codes=tuple(sorted({one["code"] for one in document["notices"]})),
        withheld=best is None,
        tilt=_pair(tilt, "x_um", "y_um"),
        tilt_sd=_pair(tilt, "x_sd_um", "y_sd_um"),
        tilt_truth=(sweep.truth["tilt_x_um"], sweep.truth["tilt_y_um"]),
        others=tuple(error for error, _ in others),
        rivals=_rivals(sweep),
        seconds=seconds,
    )


def _truth_um(sweep: Sweep) -> float:
    stars = sweep.truth["stars"]
    return float(stars[0]["best_um"] if len(stars) == 1 else sweep.truth["best_um"])


def _is_slip(code: str) -> bool:
    return code == "as_recorded" or code.startswith("frame_")


def _pair(tilt: dict[str, Any], x: str, y: str) -> tuple[float, float]:
    values = [tilt.get(x), tilt.get(y)]
    first, second = (math.nan if value is None else float(value) for value in values)
    return first, second


def _rivals(sweep: Sweep) -> tuple[float, float]:
    """Errors of the rivals on the centre star, in the picture as the camera gave it."""
    star = min(
        sweep.truth["stars"],
        key=lambda s: math.hypot(s["x_px"] - _middle(sweep, 1), s["y_px"] - _middle(sweep, 0)),
    )
    reach = 0.3 * min(sweep.frames[0].shape[:2])
    rows = slice(max(int(star["y_px"] - reach), 0), int(star["y_px"] + reach))
    columns = slice(max(int(star["x_px"] - reach), 0), int(star["x_px"] + reach))
    crops = [_grey(signal)[rows, columns] for signal in sweep.signals()]
    errors = [
        gaussian_peak_um(sweep.positions_um, curve(crops)) - _truth_um(sweep)
        for curve in (tenengrads, laplacian_variances)
    ]
    return errors[0], errors[1]


def _middle(sweep: Sweep, axis: int) -> float:
    return float(sweep.frames[0].shape[axis]) / 2


def _grey(signal: NDArray[np.float32]) -> NDArray[np.float32]:
    if signal.ndim == 2:
        return signal
    return np.ascontiguousarray(luma([signal[..., k] for k in range(3)]), dtype=np.float32)
