"""Sweeps by name: one cell for each goal of best focus from frames."""

from dataclasses import dataclass, replace
from typing import Any

from benchmarks.worlds.frames.camera import Camera
from benchmarks.worlds.frames.chart import sheet
from benchmarks.worlds.frames.former import Sensor
from benchmarks.worlds.frames.kit import FAST, LOOSE, PICTURE, PLAIN, QUIET, REAL, cell_seed
from benchmarks.worlds.frames.optics import WHITE
from benchmarks.worlds.frames.sweep import Setup, Sweep, make_sweep

_DEEP = Camera(bits=16)
_EIGHT = Camera(bits=8)


@dataclass(frozen=True)
class SweepCell:
    """A kind of sweep and what is asked of best focus in it.

    Parameters
    ----------
    name, setup
        Its name and what is before the pictures.
    rms_um
        Highest rms of best focus at the frame centre [µm].
    codes
        What must be found or said, for reading.
    may_withhold
        Whether withholding the number, or reporting both readings, is as good as the number.
    """

    name: str
    setup: Setup
    rms_um: float
    codes: tuple[str, ...] = ()
    may_withhold: bool = False

    def make(self, *, seed: int) -> Sweep:
        """Make one sweep of this cell."""
        return make_sweep(self.setup, seed=cell_seed(self.name, seed), what=self.name)

    def smaller(self) -> "SweepCell":
        """Return the cell with one star in a quarter of the picture: the same physics, sooner."""
        chart = replace(sheet(star_count=1, scale=0.55), half_width_mm=120.0, half_height_mm=90.0)
        return replace(self, setup=replace(self.setup, chart=chart, width=640, height=480))


def _sweep(
    name: str,
    rms_um: float,
    *codes: str,
    may_withhold: bool = False,
    **parts: Any,  # noqa: ANN401
) -> SweepCell:
    defaults: dict[str, Any] = {"lens": PLAIN, "camera": _EIGHT, "stand": QUIET}
    return SweepCell(name, Setup(**(defaults | parts)), rms_um, codes, may_withhold)


def _coded(name: str, codec: str, rms_um: float, *codes: str) -> SweepCell:
    return _sweep(
        name, rms_um, *codes, lens=REAL, camera=replace(PICTURE, sharpening=0.0), stand=LOOSE, codec=codec
    )


_SLIP = replace(QUIET, error_um=0.3)
_COMA = replace(PLAIN, coma_axis_waves=0.3, coma_axis_deg=20.0)
_WHITE = replace(PLAIN, spectrum=WHITE, colour_um=8.0)
_TILTED: dict[str, Any] = {"tilt_range_um": 20.0, "chart_turn_deg": 3.0}

SWEEPS = {
    cell.name: cell
    for cell in (
        _sweep("exact f/2", 0.02, camera=_DEEP),
        _sweep("exact f/1.4", 0.02, lens=FAST, camera=_DEEP),
        _sweep(
            "exact f/2.8, 21 frames", 0.02, lens=replace(PLAIN, fnumber=2.8), stand=replace(QUIET, frames=21)
        ),
        _sweep("exact f/4", 0.1, lens=replace(PLAIN, fnumber=4.0), stand=replace(QUIET, step_um=16.0)),
        _sweep("exact f/5.6", 0.2, lens=replace(PLAIN, fnumber=5.6), stand=replace(QUIET, step_um=24.0)),
        _sweep("positions off, ideal lens", 0.22, stand=LOOSE),
        _sweep("positions off, ideal lens, downwards", 0.22, stand=replace(LOOSE, is_reversed=True)),
        _sweep("positions off, real lens", 0.25, lens=REAL, stand=LOOSE),
        _sweep(
            "positions off, typical camera picture", 0.25, "sharpened", lens=REAL, camera=PICTURE, stand=LOOSE
        ),
        _sweep("real lens", 0.1, lens=REAL),
        _sweep(
            "real lens, better interpolation", 0.1, lens=REAL, camera=Camera(mosaic="gradients", flare=0.04)
        ),
        _sweep("on-axis coma", 0.1, lens=_COMA),
        _sweep("white light", 0.1, lens=_WHITE),
        _sweep("spherical", 0.1, lens=replace(PLAIN, spherical_waves=0.4)),
        _sweep("optical low-pass", 0.02, sensor=Sensor(low_pass_um=4.0)),
        _sweep("curved field f/1.4", 0.05, lens=replace(FAST, curvature_field_um=20.0)),
        _sweep("astigmatism", 0.1, lens=replace(PLAIN, astigmatism_field_waves=0.8, axis_split_um=4.0)),
        _sweep("sharpened .2", 0.03, "sharpened", camera=replace(_EIGHT, sharpening=0.2)),
        _sweep("sharpened .4", 0.03, "sharpened", camera=replace(_EIGHT, sharpening=0.4)),
        _sweep("sharpened .8", 0.05, "sharpened", camera=replace(_EIGHT, sharpening=0.8)),
        _sweep(
            "sharpened .8, positions off",
            0.22,
            "sharpened",
            camera=replace(_EIGHT, sharpening=0.8),
            stand=LOOSE,
        ),
        _sweep("noise reduction, bilateral", 0.03, camera=replace(_EIGHT, noise_reduction="bilateral")),
        _sweep("noise reduction, median", 0.03, camera=replace(_EIGHT, noise_reduction="median")),
        _sweep("log curve, 10 bit", 0.03, camera=Camera(tone="ACEScct", bits=10)),
        _sweep("flicker and light drift", 0.03, stand=replace(QUIET, flicker=0.03, light_drift=0.1)),
        _sweep("creep of the stand", 0.05, stand=replace(QUIET, drift_px=3.0)),
        _sweep("missing frame", 0.15, "missing", stand=replace(_SLIP, slip="missing")),
        _sweep("doubled frame", 0.15, "doubled", stand=replace(_SLIP, slip="doubled")),
        _sweep(
            "doubled frame, another exposure",
            0.15,
            "doubled",
            stand=replace(_SLIP, slip="doubled", is_doubled_exactly=False),
        ),
        _sweep("missing frame, positions off", 0.3, may_withhold=True, stand=replace(LOOSE, slip="missing")),
        _sweep(
            "doubled frame, positions off",
            0.3,
            may_withhold=True,
            stand=replace(LOOSE, slip="doubled", is_doubled_exactly=False),
        ),
        _sweep(
            "missing frame, sharpened",
            0.3,
            "sharpened",
            may_withhold=True,
            camera=replace(_EIGHT, sharpening=0.8),
            stand=replace(_SLIP, slip="missing"),
        ),
        _sweep(
            "doubled frame, sharpened",
            0.3,
            "sharpened",
            may_withhold=True,
            camera=replace(_EIGHT, sharpening=0.8),
            stand=replace(_SLIP, slip="doubled", is_doubled_exactly=False),
        ),
        _sweep("hand in two frames", 0.15, "hand", stand=replace(QUIET, hands=2, error_um=0.3)),
        _sweep("backlash of 4 µm", 0.2, "backlash", stand=replace(QUIET, backlash_um=4.0, error_um=0.3)),
        _sweep("backlash of 12 µm", 0.2, "backlash", stand=replace(QUIET, backlash_um=12.0, error_um=0.3)),
        _sweep("tilted, ideal lens", 0.05, **_TILTED),
        _sweep("tilted, real lens", 0.15, lens=REAL, **_TILTED),
        _coded("ProRes", "ProRes", 0.27),
        _coded("DNxHR", "DNxHR", 0.27),
        _coded("H.264 intra", "H.264 intra", 0.3),
        _coded("H.264 long groups", "H.264 long groups", 0.5, "inter-frame coding"),
    )
}
"""Sweeps by name."""
