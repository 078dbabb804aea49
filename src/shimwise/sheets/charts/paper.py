"""Sheets of paper by name or size."""

import math
import re
from dataclasses import dataclass

from shimwise.errors import SheetError

LARGEST_MM = 1500.0
SMALLEST_MM = 150.0
"""Shortest side on which a 100 mm bar, the stars and the words have room."""
_SIZE = re.compile(r"\s*([0-9]{1,5}(?:\.[0-9]+)?)\s*[x×]\s*([0-9]{1,5}(?:\.[0-9]+)?)\s*(?:mm)?\s*", re.I)


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A sheet: its name, width and height [mm].

    Raises
    ------
    SheetError
        If a side is outside 150 mm to 1.5 m.
    """

    name: str
    width_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        for side_mm in (self.width_mm, self.height_mm):
            if not (math.isfinite(side_mm) and SMALLEST_MM <= side_mm <= LARGEST_MM):
                raise SheetError(
                    f"The paper {self.width_mm:g} × {self.height_mm:g} mm has a side outside {SMALLEST_MM:g} "
                    f"to {LARGEST_MM:g} mm; choose {', '.join(PAPERS)}, or a size within, such as 600x400."
                )


PAPERS = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "Letter": (279.4, 215.9),
    "Tabloid": (431.8, 279.4),
}
"""Name -> width and height lying on its long side [mm] (ISO 216; 8.5 × 11 and 11 × 17 in)."""


def paper_of(text: str) -> Paper:
    """Read a paper: a name, or ``WxH`` in mm.

    Raises
    ------
    SheetError
        If it is neither, or the size is outside 150 mm to 1.5 m a side.
    """
    named = {name.casefold(): (name, size) for name, size in PAPERS.items()}
    if text.strip().casefold() in named:
        name, (width_mm, height_mm) = named[text.strip().casefold()]
        return Paper(name=name, width_mm=width_mm, height_mm=height_mm)
    match = _SIZE.fullmatch(text)
    if match is None:
        raise SheetError(
            f"The paper {text!r} is not known; give {', '.join(PAPERS)}, or a size in mm such as 600x400."
        )
    width_mm, height_mm = float(match.group(1)), float(match.group(2))
    return Paper(name=f"{width_mm:g} × {height_mm:g} mm", width_mm=width_mm, height_mm=height_mm)
