"""The limits of what may be written or typed of units, readings and preps; beyond them it is a slip.

All limits are common practice, no source, set far outside what is met.
"""

from typing import NamedTuple


class NumberRange(NamedTuple):
    """The limits of a number and its unit, empty for none; ``is_open`` excludes the lower limit itself."""

    low: float
    high: float
    unit: str = ""
    is_open: bool = False

    def hold(self, value: float) -> bool:
        """Return whether a value lies within the limits; nan and infinity do not."""
        return self.low <= value <= self.high and not (self.is_open and value == self.low)

    @property
    def range_text(self) -> str:
        """The range in words, without the unit."""
        if self.is_open:
            return f"above {self.low:g} and up to {self.high:g}"
        return f"from {self.low:g} to {self.high:g}"

    @property
    def text(self) -> str:
        """The range in words, with the unit."""
        return f"{self.range_text} {self.unit}".rstrip()


FOCAL_MM = NumberRange(1.0, 5000.0, "mm")
FNUMBER = NumberRange(0.5, 64.0)
SQUEEZE = NumberRange(1.0, 4.0)
SEPARATION_MM = NumberRange(-1000.0, 1000.0, "mm")
FARTHEST_MM = 1e7
"""Ten kilometres: a finite distance beyond that is a slip, and infinity has its own word."""
TEMPERATURE_C = NumberRange(-60.0, 80.0, "°C")
NEAR_MM = NumberRange(0.0, FARTHEST_MM, "mm", is_open=True)
PIXEL_PITCH_UM = NumberRange(0.5, 100.0, "µm")
COC_UM = NumberRange(1.0, 500.0, "µm")
ERROR_UM = NumberRange(-1000.0, 1000.0, "µm")
"""An error beyond a millimetre is none: the flange depth itself was written, or the unit is wrong."""
TOLERANCE_UM = NumberRange(0.01, 1000.0, "µm")
"""Of a tolerance and of a standard uncertainty: nobody knows a unit better than to ten nanometres."""
SETTING_SD_MM = NumberRange(0.01, 50.0, "mm")
"""Of how exactly a ring is set to its mark, in object space at 3 ft."""
WRITTEN_SD_UM = NumberRange(0.0, 1000.0, "µm", is_open=True)
"""The same in a kit file."""
MECHANISM_UM = NumberRange(0.0, 10_000.0, "µm")
"""Of what may be 0 about a screw: how sure its travel is, its backlash."""
TRAVEL_UM = NumberRange(0.0, 10_000.0, "µm", is_open=True)
"""Of a screw's travel for a turn, and of a shim."""
