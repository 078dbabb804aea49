"""Pictures on papers as SVG: the rail of each body, a sweep's curves and tilt map, and a QR square.

The rail and the sweep are the figures' own panels; here each is drawn by itself, in the typeface of the
paper, so that the page can break between bodies and carries the words itself.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.charts.typeset import FONTS
from shimwise.sheets.json.sweep_json import Sweep
from shimwise.sheets.pictures.marks import SCHEMA, Spec
from shimwise.sheets.pictures.panel import PanelDrawing
from shimwise.sheets.pictures.picture import MOST_ROWS, arrange
from shimwise.sheets.pictures.style import PAPER, FigureLayout, Style
from shimwise.sheets.pictures.sweep_figure import Curve, curves_panel, map_panel, peaks_panel

FAMILY = "B612"
ON_SHEET = Style(
    palette=PAPER,
    layout=FigureLayout(
        label_px=118,
        plot_px=330,
        number_px=118,
        row_px=15.5,
        text_px=9.2,
        small_px=7.6,
        reading_rise=0.22,
        bar_fall=0.3,
        mark_px2=38,
        is_whole=False,
        font=FAMILY,
    ),
)
"""Measures of the rail on a sheet: rows closer than in a figure by itself."""
_GREY = PAPER.grey
BEFORE = replace(
    ON_SHEET, palette=replace(PAPER, ink=_GREY, zero=_GREY, short=_GREY, deep=_GREY, tint="#f2f2f2")
)
"""A body as it was before an adjustment: all in grey, under its own name."""
CURVES_PX, PANEL_PX, PANEL_WIDE_PX, PANEL_GAP_PX = 300, 130, 158, 18
"""Of a sweep's panels on a sheet: width of the curves, height of all, width of peaks and map, and between."""
MOST_BODIES = 12
STARS_ALT = "Best focus of each star, and the map of the tilt"


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperPicture:
    """An SVG and its words for those who do not see it."""

    svg: str
    alt: str


def rail_pictures(
    answer: Answer, *, lens_text: Mapping[str, str], zoom_mm: Mapping[int, float]
) -> tuple[PaperPicture, ...]:
    """Draw the rail of each body that was read, all on one scale; as it was before adjustments in grey.

    Parameters
    ----------
    answer : Answer
        The verdict.
    lens_text : mapping of str to str
        Words on a lens, by name: ``18 mm f/2``.
    zoom_mm : mapping of int to float
        Focal length to which a zoom was set, by the number of its reading. [mm]
    """
    past = {body.name for body in answer.past_bodies}
    with_past = replace(answer, bodies=(*answer.bodies, *answer.past_bodies))
    count = max(len(with_past.bodies), 1)
    picture = arrange(
        with_past,
        lens_text=lens_text,
        zoom_mm=zoom_mm,
        most_bodies=MOST_BODIES,
        most_rows=MOST_ROWS * count,
    )
    styles = {panel.body.name: BEFORE if panel.body.name in past else ON_SHEET for panel in picture.panels}
    return tuple(
        PaperPicture(
            svg=_svg(
                PanelDrawing(
                    panel=panel, picture=picture, style=styles[panel.body.name], axis_title=None
                ).spec()
            ),
            alt=f"Landings on {panel.body.name} in microns at the sensor, short at the left, deep at "
            "the right; the table of units tells the same in figures.",
        )
        for panel in picture.panels
    )


def sweep_pictures(sweep: Sweep, curves: Sequence[Curve]) -> tuple[PaperPicture, ...]:
    """Draw a sweep's curves, where they were kept, and its stars' peaks with the map of the tilt."""
    pictures = []
    if curves:
        spec = {**curves_panel(sweep, curves), "width": CURVES_PX, "height": PANEL_PX}
        pictures.append(PaperPicture(svg=_svg(spec), alt="Contrast through focus"))
    if sweep.stars:
        size = {"width": PANEL_WIDE_PX, "height": PANEL_PX}
        panels = [{**panel, **size} for panel in (peaks_panel(sweep), map_panel(sweep))]
        spec = {"hconcat": panels, "spacing": PANEL_GAP_PX}
        pictures.append(PaperPicture(svg=_svg(spec), alt=STARS_ALT))
    return tuple(pictures)


def _svg(spec: Spec) -> str:
    """Render a panel in the paper's typeface, without a background of its own."""
    import vl_convert

    _register_fonts()
    axis = Style().axis_config(is_small=False)
    config = {"font": FAMILY, "view": {"stroke": None}, "axis": axis}
    whole = {"$schema": SCHEMA, **spec, "config": config, "background": "transparent", "padding": 0}
    svg: str = vl_convert.vegalite_to_svg(json.dumps(whole))
    return svg


@cache
def _register_fonts() -> None:
    import vl_convert

    vl_convert.register_font_directory(str(FONTS))
