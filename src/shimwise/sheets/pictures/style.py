"""How a figure looks: its inks and its measures, for paper and for a page of any width.

One definition of the picture serves all of them. On a page the headline and the legend are the page's own
words, so the figure holds only the picture.
"""

from dataclasses import dataclass
from typing import Any

from shimwise.errors import SheetError

LEAST_PX, WIDEST_PX = 280, 1200
"""How wide a figure on a page may be. [px]"""
BESIDE_FROM_PX = 600
"""From this width on, names and figures are beside the plot; below, above each row."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """The inks of a figure, as ``#rrggbb``.

    ``ink``: text and marks; ``grey``: what matters less; ``tint``: the tolerance band; ``zero``: the mark's
    own line; ``short`` and ``deep``: what lies out, by its side; ``rim``: around a diamond; ``band``: behind
    the body's own line, None where it has none; ``ground``: None for a page, whose own ground shows.
    """

    ink: str
    grey: str
    tint: str
    zero: str
    short: str
    deep: str
    rim: str
    band: str | None
    ground: str | None

    def of(self, um: float) -> str:
        """Return the ink of what is out on the side of ``um``."""
        return self.short if um < 0 else self.deep


_INKS = {
    # on paper, on a dark page, on a light one
    "ink": ("#111111", "#ebe6da", "#171b1f"),
    "grey": ("#666666", "#a3adb3", "#515a61"),
    "tint": ("#d5dfe6", "#232b2d", "#e3e7d6"),
    "zero": ("#111111", "#d9e8c8", "#4a6a2a"),
    "short": ("#111111", "#6cb4ee", "#0b5c9e"),
    "deep": ("#111111", "#f0a45a", "#9a4a00"),
    "rim": ("white", "#11161b", "#f7f4ec"),
    "band": (None, "#1b2a38", "#d5e3ee"),
    "ground": ("white", None, None),
}
PAPER, DARK, LIGHT = (
    Palette(**{name: inks[place] for name, inks in _INKS.items()})  # type: ignore[arg-type]
    for place in range(3)
)
PALETTES = {"paper": PAPER, "dark": DARK, "light": LIGHT}
"""The palettes by the name of the theme."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureLayout:
    """The measures of a figure. [px, or rows where noted]

    Attributes
    ----------
    label_px, plot_px, number_px : float
        Widths of the names, the plot, and the figures at its right; stacked, the plot takes all of it.
    row_px : float
        Height of a row.
    text_px, small_px : float
        Sizes of type.
    is_stacked : bool
        Whether names and figures are above each row instead of beside it.
    name_rise, reading_rise, bar_fall, body_fall : float
        How far above the middle of a row its name and its landings are drawn, and below it the estimate, and
        the estimate of the body itself. [rows]
    words_row, top_row, band_row : float
        Where the words over the rows are, where the plot begins and where its bands begin. [rows]
    strip_rise, strip_fall : float
        Where names are above the rows, the plot is a strip for each row, from so far above its middle to so
        far below; with ``strip_rise`` None it is one plot for all. [rows]
    mark_px2 : float
        Size of a diamond. [px²]
    is_whole : bool
        Whether headline and legend belong to the figure.
    font : str
        Families of type.
    """

    label_px: float
    plot_px: float
    number_px: float
    row_px: float
    text_px: float
    small_px: float
    is_stacked: bool = False
    name_rise: float = 0.0
    reading_rise: float = 0.2
    bar_fall: float = 0.2
    body_fall: float = 0.0
    words_row: float = -0.95
    top_row: float = -1.3
    band_row: float = -0.6
    strip_rise: float | None = None
    strip_fall: float = 0.5
    mark_px2: float = 46.0
    is_whole: bool = True
    font: str = "Liberation Sans, Arial, Helvetica, sans-serif"


ON_PAPER = FigureLayout(label_px=118, plot_px=278, number_px=158, row_px=25, text_px=10.5, small_px=9)
"""With its margins as wide as an A4 page. The font: one family under three names, of equal widths."""
PAGE_FONT = "B612, DejaVu Sans, Verdana, sans-serif"


def page_layout(width_px: float) -> FigureLayout:
    """Return the measures for a page on which the figure may be so wide. [px]

    Raises
    ------
    SheetError
        If it would be too narrow to read, or wider than any page.
    """
    if not LEAST_PX <= width_px <= WIDEST_PX:
        raise SheetError(
            f"A figure {width_px:g} px wide cannot be read; give {LEAST_PX} to {WIDEST_PX}, such as 600."
        )
    if width_px < BESIDE_FROM_PX:
        return FigureLayout(
            label_px=0,
            plot_px=width_px,
            number_px=0,
            row_px=62,
            text_px=15,
            small_px=13,
            is_stacked=True,
            name_rise=0.31,
            reading_rise=-0.03,
            bar_fall=0.26,
            body_fall=0.14,
            words_row=-0.8,
            top_row=-1.0,
            strip_rise=0.14,
            strip_fall=0.45,
            mark_px2=95,
            is_whole=False,
            font=PAGE_FONT,
        )
    label_px, number_px = 174, 218
    return FigureLayout(
        label_px=label_px,
        plot_px=width_px - label_px - number_px,
        number_px=number_px,
        row_px=40,
        text_px=15,
        small_px=13,
        words_row=-0.86,
        top_row=-1.15,
        mark_px2=95,
        is_whole=False,
        font=PAGE_FONT,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """Inks and measures together."""

    palette: Palette = PAPER
    layout: FigureLayout = ON_PAPER

    def axis_config(self, *, is_small: bool) -> dict[str, Any]:
        """Return inks and sizes of axes, in the smaller type with grey lines or as on paper."""
        palette, layout = self.palette, self.layout
        size_px = layout.small_px if is_small else layout.text_px - 0.5
        grey = {"domainColor": palette.grey, "tickColor": palette.grey} if is_small else {}
        return {
            "labelColor": palette.ink,
            "titleColor": palette.ink,
            "labelFontSize": size_px,
            "titleFontSize": size_px,
            "titleFontWeight": "normal",
            "grid": False,
            **grey,
        }


def page_style(theme: str, width_px: float) -> Style:
    """Return the style of a figure on a page.

    Parameters
    ----------
    theme : str
        ``paper``, ``dark`` or ``light``.
    width_px : float
        How wide the figure may be. [px]

    Raises
    ------
    SheetError
        If there is no such theme, or no figure of that width.
    """
    if theme not in PALETTES:
        raise SheetError(f"There is no theme {theme!r} for a figure; choose {', '.join(PALETTES)}.")
    return Style(palette=PALETTES[theme], layout=page_layout(width_px))
