"""A line of the meter as JSON, ``shimwise.meter/1``. The schema lies beside this module."""

from dataclasses import dataclass
from typing import Any

from shimwise.sheets.json.documents import finite

SCHEMA_ID = "shimwise.meter/1"
TIME_PLACES, PLACES = 3, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterLine:
    """The meter's answer after a frame.

    ``offset_um``: sensor less best focus with its 95 % interval, short < 0, None where no microns can be
    given; a size alone where ``is_signed`` is false. ``contrast``: modulation by the best seen, for people.
    """

    t_s: float
    state: str
    offset_um: float | None
    low_um: float | None
    high_um: float | None
    is_signed: bool
    sharpened: bool
    frames: int
    dropped: int
    notes: tuple[str, ...]
    contrast: float | None = None


def meter_to_json(line: MeterLine) -> dict[str, Any]:
    """Return a line as the document has it."""
    return {
        "schema": SCHEMA_ID,
        "t_s": finite(line.t_s, TIME_PLACES),
        "state": line.state,
        "offset_um": finite(line.offset_um, PLACES),
        "low_um": finite(line.low_um, PLACES),
        "high_um": finite(line.high_um, PLACES),
        "is_signed": line.is_signed,
        "sharpened": line.sharpened,
        "frames": line.frames,
        "dropped": line.dropped,
        "notes": list(line.notes),
    }
