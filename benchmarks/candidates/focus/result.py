"""What must be known to measure a sweep, and what a sweep says."""

from __future__ import annotations

from dataclasses import dataclass

from benchmarks.candidates.focus.flags import Raised
from benchmarks.candidates.focus.peak import PeakFit
from benchmarks.candidates.focus.ring_model import RingData
from benchmarks.candidates.focus.tilt import FieldFit
from shimwise.imaging.chart.pose import Pose


@dataclass(frozen=True, slots=True, kw_only=True)
class StarPeak:
    """A star's place, its peak as measured (the chart's turn not removed) and the fit behind it.

    ``sagittal_um`` is the peak of lines along the field's radius, ``tangential_um`` of lines across it; None
    at the frame's centre, where there is no radius.
    """

    id: str
    x_px: float
    y_px: float
    best_um: float
    sd_um: float
    sagittal_um: float | None
    tangential_um: float | None
    chart_share_um: float
    fit: PeakFit
    data: RingData


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """One of two readings that the frames cannot decide between: its best focus with its 95 % interval, µm.

    ``code`` is ``as-recorded``, ``frame-missing`` or ``frame-doubled``.
    """

    best_um: float
    low_um: float
    high_um: float
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepResult:
    """What a sweep says. ``best_um`` is None where a flag withholds it.

    ``alternatives`` holds both readings where two are possible.
    """

    best_um: float | None
    sd_um: float | None
    low_um: float | None
    high_um: float | None
    band_cy_mm: tuple[float, float]
    w040_waves: float | None
    stars: tuple[StarPeak, ...]
    field: FieldFit | None
    pose: Pose | None
    magnification: float | None
    landing_um: float | None
    flags: tuple[Raised, ...]
    alternatives: tuple[Alternative, ...] = ()
