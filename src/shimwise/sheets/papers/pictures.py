"""Pictures on papers as SVG: the rail of each body, a sweep's curves and tilt map, and a QR square.

The rail and the sweep are the same Altair definitions as everywhere; here each panel is drawn by itself, in
the typeface of the paper, so that the page can break between bodies and carries the words itself.
"""

import json
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.charts.drawing import qr_svg
from shimwise.sheets.pictures import sweep_figure
from shimwise.sheets.pictures.figure_marks import INK, Axis
from shimwise.sheets.pictures.figure_panel import PanelDrawing
from shimwise.sheets.pictures.figure_style import PAPER, Layout, Style
from shimwise.sheets.pictures.picture import MOST_ROWS, arrange
from shimwise.sheets.pictures.sweep_figure import Curve

__all__ = ["FONTS", "PaperPicture", "qr_svg", "rail_pictures", "sweep_pictures"]

FONTS = Path(__file__).parents[1] / "charts" / "fonts"
FAMILY = "B612"
ON_SHEET = Style(
    palette=PAPER,
    layout=Layout(
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
"""Measures of the rail on a sheet: rows closer than in a figure that stands alone."""
CURVES_PX, PANEL_PX, PANEL_WIDE_PX, PANEL_GAP_PX = 300, 130, 158, 18
"""Of a sweep's panels on a sheet: width of the curves, height of all, width of peaks and map, and between."""
MOST_BODIES = 12
_Spec = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperPicture:
    """An SVG and its words for those who do not see it."""

    svg: str
    alt: str


def rail_pictures(answer: Answer, *, lens_text: Mapping[str, str]) -> tuple[PaperPicture, ...]:
    """Draw the rail of each body that was read, all on one scale.

    Parameters
    ----------
    answer : Answer
        What the judge said.
    lens_text : mapping of str to str
        What is known of a lens, by name: ``18 mm f/2``.
    """
    picture = arrange(
        answer, lens_text=lens_text, most_bodies=MOST_BODIES, most_rows=MOST_ROWS * max(len(answer.bodies), 1)
    )
    axis = Axis.of(picture)
    return tuple(
        PaperPicture(
            svg=_svg(
                _untitled(PanelDrawing(panel=panel, picture=picture, axis=axis, style=ON_SHEET).chart())
            ),
            alt=f"Landings on {panel.body.name} in microns at the sensor, short at the left, deep at the "
            "right; the table of units tells the same in figures.",
        )
        for panel in picture.panels
    )


def sweep_pictures(result: Mapping[str, Any], curves: Sequence[Curve]) -> tuple[PaperPicture, ...]:
    """Draw a sweep's curves, where they were kept, and its stars' peaks with the map of the tilt."""
    specs: list[tuple[_Spec, str]] = []
    with _unchecked():
        if curves:
            spec = sweep_figure._curves(result, curves).to_dict(validate=False)
            spec.update(width=CURVES_PX, height=PANEL_PX)
            specs.append((spec, "Contrast through focus"))
        if result["stars"]:
            panels = [
                draw(result).to_dict(validate=False) for draw in (sweep_figure._peaks, sweep_figure._map)
            ]
            for panel in panels:
                panel.update(width=PANEL_WIDE_PX, height=PANEL_PX)
            both: _Spec = {"$schema": panels[0]["$schema"], "hconcat": panels, "spacing": PANEL_GAP_PX}
            both["datasets"] = {
                name: rows for panel in panels for name, rows in panel.pop("datasets", {}).items()
            }
            specs.append((both, "Best focus of each star, and the map of the tilt"))
    return tuple(PaperPicture(svg=_svg(spec), alt=words) for spec, words in specs)


def _unchecked() -> AbstractContextManager[None]:
    """Build charts without checking each part against the schema: their own tests check the definitions."""
    from altair.utils.schemapi import debug_mode

    return debug_mode(False)


def _untitled(chart: Any) -> _Spec:  # noqa: ANN401 - altair's layers
    """Give a panel's specification without the title of its axis, which the sheet's heading says."""
    spec: _Spec = chart.to_dict(validate=False)
    for layer in spec["layer"]:
        axis = layer.get("encoding", {}).get("x", {}).get("axis")
        if axis:
            axis["title"] = None
    return spec


def _svg(spec: _Spec) -> str:
    """Render a specification in the paper's typeface, without a background of its own."""
    import vl_convert

    _know_fonts()
    config = {
        "font": FAMILY,
        "view": {"stroke": None},
        "axis": {
            "labelColor": INK,
            "titleColor": INK,
            "labelFontSize": 10,
            "titleFontSize": 10,
            "titleFontWeight": "normal",
        },
    }
    whole = {**spec, "config": config, "background": "transparent", "padding": 0}
    svg: str = vl_convert.vegalite_to_svg(json.dumps(whole))
    return svg


@cache
def _know_fonts() -> None:
    import vl_convert

    vl_convert.register_font_directory(str(FONTS))
