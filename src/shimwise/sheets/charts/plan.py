"""The few numbers that fix a chart: from them follow its layout, its code and its drawing."""

from dataclasses import dataclass
from enum import StrEnum

STEP_MM = 0.05
"""Every size of a plan is a whole number of these, so that a code of whole numbers can carry it."""


class SpokeKind(StrEnum):
    """How spokes are printed: black and white, or grey rising and falling as a sine."""

    BINARY = "binary"
    SINUSOIDAL = "sinusoidal"

    @property
    def contrast(self) -> float:
        """Contrast of the print.

        Black ink on white paper reflects about 4 and 85 % (common practice, no source): 0.9. The sine stays
        within what ink and paper can do, from the paper's white to a ninth of it: 0.8.
        """
        return 0.9 if self is SpokeKind.BINARY else 0.8

    @property
    def finest_mm(self) -> float:
        """Finest pair of a dark and a light spoke that prints well, mm.

        8 dots of 1,200 dpi in black and white, 10 dots of 600 dpi in grey (common practice, no source).
        """
        return 0.17 if self is SpokeKind.BINARY else 0.42


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPlan:
    """A chart in numbers; lengths in mm on the sheet, in the order of the QR square's code.

    Sizes and spokes of parts are 0 until they are chosen.

    Attributes
    ----------
    width_mm, height_mm : float
        The sheet.
    field_width_mm, field_height_mm : float
        The part of the sheet where stars, squares and markers are.
    stars : int
        5 or 9.
    kind : SpokeKind
        How spokes are printed.
    radius_mm, small_radius_mm : float
        Radius of the centre star and of the others.
    spokes, small_spokes : int
        Count of dark spokes of the centre star and of the others.
    marker_mm, square_mm : float
        Side of a marker and of a slanted square.
    """

    width_mm: float
    height_mm: float
    field_width_mm: float
    field_height_mm: float
    stars: int
    kind: SpokeKind
    radius_mm: float = 0.0
    spokes: int = 0
    small_radius_mm: float = 0.0
    small_spokes: int = 0
    marker_mm: float = 0.0
    square_mm: float = 0.0
