"""The scale of the rail: from microns to the cells of a terminal, with round ticks that fall on cells."""

import math
from dataclasses import dataclass

from shimwise.errors import SheetError

EDGE = 3
"""Cells at either side that hold only what lies beyond the scale: an arrow and two marks."""
TICK_CELLS = range(8, 17)
"""How far ticks may lie apart. [terminal cells]"""
COARSER = 1.35
"""A scale may be coarser by this factor, if it has a tick on both sides of 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """From microns to cells: 0 µm and every tick lie exactly on a cell."""

    um_per_cell: float
    tick_um: float
    zero_cell: int
    cells: int

    def cell(self, um: float) -> int:
        """Return the cell of a landing or an error [µm]; it may lie beyond the scale."""
        return self.zero_cell + math.floor(um / self.um_per_cell + 0.5)

    def holds(self, cell: int) -> bool:
        """Return whether a cell lies on the scale."""
        return EDGE <= cell < self.cells - EDGE


def choose_scale(low_um: float, high_um: float, *, cells: int) -> Scale:
    """Choose the finest scale that holds a span, with ticks at 1, 2 or 5 times a power of ten.

    Parameters
    ----------
    low_um, high_um : float
        Span to hold; 0 is always held. [µm]
    cells : int
        Width, of which three at either side are kept for what lies beyond.

    Raises
    ------
    SheetError
        When an end is no finite number.
    """
    low_um, high_um = min(low_um, 0.0), max(high_um, 0.0)
    if not (math.isfinite(low_um) and math.isfinite(high_um) and low_um < high_um):
        raise SheetError(f"No scale runs from {low_um:g} to {high_um:g} µm: it takes two different numbers.")
    inner = cells - 2 * EDGE
    start = math.floor(math.log10((high_um - low_um) / inner)) - 1
    steps = (base * 10.0**power for power in range(start, start + 5) for base in (1, 2, 5))
    choices = sorted((step / apart, apart, step) for step in steps for apart in TICK_CELLS)
    scales = [
        scale
        for um_per_cell, _, tick_um in choices
        if (scale := _scale(low_um, high_um, um_per_cell=um_per_cell, tick_um=tick_um, cells=cells))
    ]
    if not scales:
        raise SheetError(f"No scale from {low_um:g} to {high_um:g} µm fits in {cells} columns.")
    as_fine = (scale for scale in scales if scale.um_per_cell <= COARSER * scales[0].um_per_cell)
    return next(filter(_has_ticks_on_both_sides, as_fine), scales[0])


def _scale(low_um: float, high_um: float, *, um_per_cell: float, tick_um: float, cells: int) -> Scale | None:
    """Return the scale if the span fits; what is to spare is shared out to both sides."""
    left, right = (math.floor(abs(end) / um_per_cell + 0.5) for end in (low_um, high_um))
    spare = cells - 2 * EDGE - (left + 1 + right)
    if spare < 0:
        return None
    return Scale(um_per_cell=um_per_cell, tick_um=tick_um, zero_cell=EDGE + left + spare // 2, cells=cells)


def _has_ticks_on_both_sides(scale: Scale) -> bool:
    return all(scale.holds(scale.cell(side * scale.tick_um)) for side in (-1, 1))
