"""A figure of the meter as a landing, with the ring on the mark: how large, on which side, how sure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shimwise.number_format import decimal_text, half_digits

if TYPE_CHECKING:
    from shimwise.bench.meter.live import Measured

SD_OF_HALF = 1.96
"""Half of a 95 % interval by the standard deviation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedLanding:
    """A landing as the picture shows it now.

    ``um``: short < 0 < deep; 0 where the sharpest place is within the interval; the size alone where ``side``
    is ``unknown``. ``half_um``: half its 95 % interval. ``side``: ``short``, ``on``, ``deep``, ``unknown``.
    ``is_held``: nothing moves, so that it can be saved.
    """

    um: float
    half_um: float
    side: str
    is_held: bool

    @property
    def sd_um(self) -> float:
        """Standard uncertainty of the picture alone; how the ring was set comes beside it."""
        return self.half_um / SD_OF_HALF

    @property
    def can_save(self) -> bool:
        """Whether it is a landing: held still, and on a known side."""
        return self.is_held and self.side != "unknown"

    @property
    def document(self) -> dict[str, Any]:
        """Return it as a page gets it."""
        digits = half_digits(self.half_um)
        return {
            "um": round(self.um, 3),
            "sd_um": round(self.sd_um, 3),
            "half_um": round(self.half_um, 3),
            "side": self.side,
            "is_held": self.is_held,
            "can_save": self.can_save,
            "size_text": decimal_text(abs(self.um), digits),
            "half_text": decimal_text(self.half_um, digits),
        }


def landing_of(measured: Measured) -> FeedLanding | None:
    """Return the landing that an answer of the meter is, or None where it gives no microns."""
    line = measured.line
    if line.offset_um is None or line.low_um is None or line.high_um is None:
        return None
    is_held = line.state == "still"
    if line.low_um <= 0.0 <= line.high_um:
        half_um = max(abs(line.low_um), abs(line.high_um))
        return FeedLanding(um=0.0, half_um=half_um, side="on", is_held=is_held)
    half_um = (line.high_um - line.low_um) / 2.0
    side = ("short" if line.offset_um < 0.0 else "deep") if line.is_signed else "unknown"
    return FeedLanding(um=line.offset_um, half_um=half_um, side=side, is_held=is_held)
