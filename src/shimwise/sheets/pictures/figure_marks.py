"""What panels and legend of the figure share: the axis, and the two marks of a reading."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shimwise.sheets.pictures.figure_style import PAPER, Palette
from shimwise.sheets.pictures.picture import Picture

if TYPE_CHECKING:
    import altair as alt

__all__ = [
    "GREY",
    "INK",
    "TINT",
    "Axis",
    "cross",
    "diamond",
    "inline",
    "text_of",
    "x2_of",
    "x2_px",
    "x_px",
    "y2_of",
    "y_px",
]

INK, GREY, TINT = PAPER.ink, PAPER.grey, PAPER.tint
"""The inks of paper."""
CROSS = "M-0.7,-0.7L0.7,0.7M-0.7,0.7L0.7,-0.7"
MARK_PX2 = 46.0
"""Size of a mark on paper. [px²]"""
MARGIN_SHARE = 0.12
"""The margin at either end, as a share of the span."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """The axis of microns, common to all panels; what lies beyond is drawn in a margin at its ends. [µm]"""

    low_um: float
    high_um: float

    @classmethod
    def of(cls, picture: Picture) -> "Axis":
        """Give the axis of a picture."""
        return cls(low_um=picture.low_um, high_um=picture.high_um)

    @property
    def domain_um(self) -> tuple[float, float]:
        """The ends with their margins. [µm]"""
        margin = MARGIN_SHARE * (self.high_um - self.low_um)
        return self.low_um - margin, self.high_um + margin

    def holds(self, um: float) -> bool:
        """Tell whether a value lies on the axis."""
        return self.low_um <= um <= self.high_um

    def drawn_um(self, um: float) -> float:
        """Give where the end of a bar is drawn: at the end of the margin when it lies beyond. [µm]"""
        low, high = self.domain_um
        return min(max(um, low), high)

    def px(self, um: float, *, plot_px: float) -> float:
        """Give where a value is drawn on a plot so wide, from its left edge. [px]"""
        low, high = self.domain_um
        return plot_px * (um - low) / (high - low)


def inline(values: Sequence[Mapping[str, Any]]) -> "alt.Chart":
    """Give a chart of values that travel with it."""
    import altair as alt

    return alt.Chart(alt.InlineData(values=list(values)))


def diamond(
    chart: "alt.Chart",
    *,
    shift_px: float = 0.0,
    is_crowded: bool = False,
    palette: Palette = PAPER,
    size_px2: float = MARK_PX2,
) -> "alt.Chart":
    """Mark a reading; in a crowd without its rim and fainter."""
    marked: alt.Chart = chart.mark_point(
        shape="diamond",
        filled=True,
        color=palette.ink,
        size=size_px2,
        opacity=0.35 if is_crowded else 0.9,
        stroke=palette.ink if is_crowded else palette.rim,
        strokeWidth=0.0 if is_crowded else 0.6,
        xOffset=shift_px,
    )
    return marked


def cross(
    chart: "alt.Chart", *, shift_px: float = 0.0, palette: Palette = PAPER, size_px2: float = MARK_PX2
) -> "alt.Chart":
    """Mark a doubted reading."""
    marked: alt.Chart = chart.mark_point(
        shape=CROSS,
        color=palette.ink,
        size=size_px2,
        strokeWidth=1.5,
        filled=False,
        opacity=1,
        xOffset=shift_px,
    )
    return marked


def x_px(px: float) -> "alt.XValue":
    """Place a mark so far from the plot's left edge. [px]"""
    import altair as alt

    return alt.XValue(px)  # type: ignore[no-untyped-call]


def x2_px(px: float) -> "alt.X2Value":
    """End a mark so far from the plot's left edge. [px]"""
    import altair as alt

    return alt.X2Value(px)  # type: ignore[no-untyped-call]


def y_px(px: float) -> "alt.YValue":
    """Place a mark so far below the plot's upper edge. [px]"""
    import altair as alt

    return alt.YValue(px)  # type: ignore[no-untyped-call]


def x2_of(field: str) -> "alt.X2":
    """End a mark at a field's value."""
    import altair as alt

    return alt.X2(f"{field}:Q")


def y2_of(field: str) -> "alt.Y2":
    """End a mark at a field's value."""
    import altair as alt

    return alt.Y2(f"{field}:Q")


def text_of(field: str) -> "alt.Text":
    """Write a field's words."""
    import altair as alt

    return alt.Text(f"{field}:N")
