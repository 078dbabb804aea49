"""The distances engraved on a lens, and what a person writes who reads a ring against them.

The ladders are invented after the habit of the trade (dense where the ring turns fast, few on wide lenses, a
stop at infinity): common practice, no source. A person reads the ring's *turn*: a quarter of the way from one
mark to the next on the barrel is written as a quarter of the way in feet, although the marks crowd towards
infinity. Past the last mark before infinity half the remaining turn is about double the distance.
"""

import bisect
import math
from dataclasses import dataclass
from typing import Literal

from benchmarks.worlds.bench.glass import Glass
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text

MM_PER_FOOT = 304.8
MM_PER_INCH = 25.4

_WIDE_FEET = (1, 1 + 2 / 12, 1 + 4 / 12, 1.5, 1.75, 2, 2.5, 3, 4, 5, 6, 8, 12)
_TWO_INCH_STEPS = tuple(round(inches / 12, 12) for inches in range(34, 43, 2))
_NORMAL_FEET = (
    2,
    2 + 2 / 12,
    2 + 4 / 12,
    2.5,
    2 + 8 / 12,
    *_TWO_INCH_STEPS,
    3.75,
    4,
    4.5,
    5,
    6,
    7,
    8,
    10,
    15,
    30,
)
_LONG_FEET = (*_TWO_INCH_STEPS, 3.75, 4, 4.25, 4.5, 5, 5.5, 6, 6.5, 7, 8, 9, 10, 12, 15, 20, 30, 40, 60)
_WIDE_M = (0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.9, 1.2, 1.5, 1.8, 2.5, 3.6)
_NORMAL_M = (0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1, 1.1, 1.2, 1.4, 1.6, 1.8, 2.1, 2.5, 3, 4.5, 9)
_LONG_M = (0.85, 0.9, 0.95, 1, 1.1, 1.2, 1.3, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 3, 3.6, 4.5, 6, 9, 18)

Unit = Literal["ft", "m"]


def engraved_mm(focal_mm: float, *, unit: Unit = "ft") -> tuple[float, ...]:
    """Return the marks of a usual lens of this focal length [mm], nearest first, infinity last."""
    ladders = (_WIDE_FEET, _NORMAL_FEET, _LONG_FEET) if unit == "ft" else (_WIDE_M, _NORMAL_M, _LONG_M)
    ladder = ladders[0 if focal_mm < 31 else 1 if focal_mm < 70 else 2]
    return (*(mark * (MM_PER_FOOT if unit == "ft" else 1000.0) for mark in ladder), math.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grain:
    """To what a person reads a ring.

    Attributes
    ----------
    of
        ``"exact"`` (to 1e-6 mm; for checks), ``"marks"`` (shares of an interval between marks), ``"inch"``
        or ``"mm"`` (a length).
    parts
        Of ``"marks"``, into how many an interval is parted: 1, 2, 4 or 8.
    step_mm
        Of ``"inch"`` and ``"mm"``, the step [mm].
    """

    of: Literal["exact", "marks", "inch", "mm"] = "inch"
    parts: int = 8
    step_mm: float = MM_PER_INCH / 4


EXACT = Grain(of="exact")
QUARTER_INCH = Grain()
HALF_INCH = Grain(step_mm=MM_PER_INCH / 2)
TO_MARKS = Grain(of="marks", parts=1)
TO_HALVES = Grain(of="marks", parts=2)
TO_QUARTERS = Grain(of="marks", parts=4)
TO_EIGHTHS = Grain(of="marks", parts=8)


def read_off_mm(ring_mm: float, *, marks_mm: tuple[float, ...], glass: Glass, grain: Grain) -> float:
    """Compute the distance that a person reads off the ring [mm]; infinite at the stop or next to it.

    Parameters
    ----------
    ring_mm
        Where the ring really is [mm].
    marks_mm
        Engraved marks [mm], nearest first, infinity last.
    glass
        The lens, whose law places the marks on the barrel.
    grain
        To what the person reads.
    """
    if math.isinf(ring_mm) or grain.of == "exact":
        return ring_mm
    last = marks_mm[-2]
    if grain.of in {"inch", "mm"} and ring_mm <= last:
        return max(round(ring_mm / grain.step_mm), 1) * grain.step_mm
    parts = grain.parts
    ring_mm = max(ring_mm, marks_mm[0])
    above = min(bisect.bisect_right(marks_mm, ring_mm), len(marks_mm) - 1)
    nearer, farther = marks_mm[above - 1], marks_mm[above]
    begin, end = glass.ring_share(nearer), glass.ring_share(farther)
    share = round((begin - glass.ring_share(ring_mm)) / (begin - end) * parts) / parts
    if math.isfinite(farther):
        return nearer + share * (farther - nearer)
    if share >= 1:
        return math.inf
    written = nearer / (1 - share)
    step = MM_PER_INCH if grain.of != "mm" else 100.0
    return nearer if share == 0 else round(written / step) * step


def written(mm: float, *, unit: Unit, grain: Grain) -> str:
    """Return the reading as the person writes it."""
    if math.isinf(mm):
        return "INF"
    if grain.of == "exact":
        return f"{mm:.6f} mm"
    return mm_to_feet_text(mm, denominator=16) if unit == "ft" else mm_to_metric_text(mm, resolution_mm=1.0)
