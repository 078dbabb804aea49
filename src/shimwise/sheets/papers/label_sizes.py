"""Sizes of labels and of the sheet they come on, in mm, as a settings file has them."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from shimwise.errors import SheetError
from shimwise.files.toml_text import read_toml

LIMITS_MM = {"width_mm": (24.0, 200.0), "height_mm": (12.0, 150.0)}
"""Sizes between which a label can be read and still is one."""
FAR_TOO_LARGE = 1e9
LARGEST_PAGE_MM = 1000.0
MOST_ACROSS = 40
SLACK_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelSizes:
    """A label and its place on the sheet; lengths in mm.

    Attributes
    ----------
    width_mm, height_mm : float
        The label.
    page_width_mm, page_height_mm : float
        The sheet.
    left_mm, top_mm : float
        Where the first label's upper left corner lies on the sheet.
    gap_x_mm, gap_y_mm : float
        Between neighbours.
    columns, rows : int
        Labels across and down.
    first : int
        Place of the first label to be printed, from 1, row by row: earlier ones have been used.
    has_border : bool
        Whether a hairline runs along the label's edge, to be cut along.

    Raises
    ------
    SheetError
        If a size is no label's, or the labels do not fit the sheet: with the size and the limit.
    """

    width_mm: float = 50.0
    height_mm: float = 25.0
    page_width_mm: float = 210.0
    page_height_mm: float = 297.0
    left_mm: float = 24.0
    top_mm: float = 17.5
    gap_x_mm: float = 6.0
    gap_y_mm: float = 2.0
    columns: int = 3
    rows: int = 10
    first: int = 1
    has_border: bool = True

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name.endswith("_mm") and not (math.isfinite(value) and value >= 0):
                raise SheetError(f"The labels' {field.name} is {value}; give 0 mm or more.")
        for name, (least, most) in LIMITS_MM.items():
            value = getattr(self, name)
            if not least <= value <= most:
                raise SheetError(f"A label's {name} is {value:g}; give {least:g} to {most:g} mm.")
        for name in ("columns", "rows"):
            if not 1 <= getattr(self, name) <= MOST_ACROSS:
                raise SheetError(f"The labels' {name} is {getattr(self, name)}; give 1 to {MOST_ACROSS}.")
        count = self.columns * self.rows
        if not 1 <= self.first <= count:
            raise SheetError(f"The first label is number {self.first}; a sheet has 1 to {count}.")
        self._check_fit("wide", self.page_width_mm, self.left_mm, self.columns, self.width_mm, self.gap_x_mm)
        self._check_fit("high", self.page_height_mm, self.top_mm, self.rows, self.height_mm, self.gap_y_mm)

    def corner_mm(self, place: int) -> tuple[int, float, float]:
        """Return page (from 0), left and top [mm] of the label at a place (from 0) counted from ``first``."""
        page, on_page = divmod(self.first - 1 + place, self.columns * self.rows)
        row, column = divmod(on_page, self.columns)
        return (
            page,
            self.left_mm + column * (self.width_mm + self.gap_x_mm),
            self.top_mm + row * (self.height_mm + self.gap_y_mm),
        )

    def _check_fit(
        self, side: str, page_mm: float, begin_mm: float, count: int, size_mm: float, gap_mm: float
    ) -> None:
        end_mm = begin_mm + count * size_mm + (count - 1) * gap_mm
        if end_mm > page_mm + SLACK_MM or page_mm > LARGEST_PAGE_MM:
            raise SheetError(
                f"{count} labels reach to {end_mm:g} mm on a sheet {page_mm:g} mm {side}. Give fewer, or "
                f"smaller ones; a sheet has at most {LARGEST_PAGE_MM:g} mm."
            )


def label_sizes(content: bytes) -> LabelSizes:
    """Read label sizes from a settings file (TOML): any of the fields of :class:`LabelSizes`.

    Raises
    ------
    SheetError
        If it is no TOML, names something unknown, or a size cannot be.
    """
    try:
        found = read_toml(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise SheetError(f"The labels' sizes are no TOML: {error}. Correct the file.") from error
    table = found.get("labels", found)
    if not isinstance(table, Mapping):
        raise SheetError("The labels' sizes have no table [labels]. Write one field on each line.")
    return LabelSizes(**{name: _value(name, value) for name, value in table.items()})


def _value(name: str, value: object) -> Any:  # noqa: ANN401 - a number or yes and no
    kinds = {field.name: field.default for field in fields(LabelSizes)}
    if name not in kinds:
        raise SheetError(f"The labels' sizes name {name[:40]!r}, which is none of {', '.join(kinds)}.")
    wanted = type(kinds[name])
    if wanted is float and isinstance(value, int | float) and not isinstance(value, bool):
        return math.inf if abs(value) > FAR_TOO_LARGE else float(value)
    if type(value) is not wanted:
        word = {float: "a number of mm", int: "a whole number", bool: "true or false"}[wanted]
        raise SheetError(f"The labels' {name} is {str(value)[:40]!r}; give {word}.")
    return value
