"""Makes the sheet: the chart's drawing, its words and its code on one page of a PDF at true scale.

The same plan and words give the same bytes: the date is fixed, and only the typeface that comes with the
package is used. chart.json is attached to the PDF.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import math
import re
from pathlib import Path
from typing import Any

from shimwise.errors import SheetError
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.code import chart_id, plan_to_code
from shimwise.sheets.charts.drawing import chart_svg, qr_svg
from shimwise.sheets.charts.layout import BOTTOM_MM, MARGIN_MM, layout_of
from shimwise.sheets.charts.plan import ChartPlan, SpokeKind
from shimwise.sheets.charts.words import advise

DATE = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
"""Date that every chart carries, so that equal charts are equal files."""
FONTS = Path(__file__).parent / "fonts"
CODE_MM = 20.0
GREY = 'rgb("#5a5a5a")'
WIDE_MM = 260.0
KINDS = {SpokeKind.BINARY: "black and white", SpokeKind.SINUSOIDAL: "grey (sine) for a photo printer"}
PRINTING = (
    "Print at 100 %, unscaled, on matt paper. Both bars measure 100.0 mm on a steel rule, or the sheet is "
    "not to scale. Mount flat, square to the lens axis, evenly lit. Lamps get hot."
)


def layout_json(plan: ChartPlan) -> str:
    """Content of a chart's chart.json, with its id."""
    layout = layout_of(plan)
    return json.dumps({"id": chart_id(layout), **layout}, indent=1, ensure_ascii=False) + "\n"


def chart_pdf(plan: ChartPlan, camera: Camera | None = None) -> bytes:
    """Print a chart to a PDF of the sheet's true size.

    Parameters
    ----------
    plan : ChartPlan
        The chart.
    camera : Camera, optional
        What it is for; printed on it.

    Returns
    -------
    bytes
        A PDF of one page with chart.json attached; equal for equal arguments.

    Raises
    ------
    SheetError
        When the parts do not fit, or the page cannot be set.
    """
    import typst

    layout = json.loads(layout_json(plan))
    parts = {
        "main.typ": _markup(plan, layout, camera).encode(),
        "chart.svg": chart_svg(layout).encode(),
        "code.svg": qr_svg(plan_to_code(plan)).encode(),
        "chart.json": layout_json(plan).encode(),
    }
    try:
        page = typst.compile(  # type: ignore[call-overload]  # its stubs leave files by name out
            parts,
            format="pdf",
            font_paths=[str(FONTS)],
            ignore_system_fonts=True,
        )
    except typst.TypstError as error:
        raise SheetError(f"The chart's page could not be set: {error}.") from error
    if not isinstance(page, bytes):
        raise SheetError(f"The chart's page came as {type(page).__name__}, not as one PDF.")
    return _unscaled(page)


def _unscaled(page: bytes) -> bytes:
    """Ask print dialogs for 100 % instead of "fit" (ISO 32000-1, 12.2, PrintScaling)."""
    import pypdf
    from pypdf.generic import NameObject

    writer = pypdf.PdfWriter(clone_from=pypdf.PdfReader(io.BytesIO(page)))
    writer.pdf_header = "%PDF-1.7"
    wishes = writer.create_viewer_preferences()
    wishes[NameObject("/PrintScaling")] = NameObject("/None")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _markup(plan: ChartPlan, layout: dict[str, Any], camera: Camera | None) -> str:
    """The page in typst's markup."""
    width, height = plan.width_mm, plan.height_mm
    x0, y0 = layout["sheet"]["origin_mm"]
    name = f"{layout['id'][:4]}-{layout['id'][4:]}"
    strip = height - BOTTOM_MM + 6
    parts = [
        f'#set document(title: "Shimwise chart {name}", date: {_date()})',
        f"#set page(width: {width}mm, height: {height}mm, margin: 0mm)",
        f'#set text(font: "B612", size: {_size(plan):.2f}pt, top-edge: "ascender", hyphenate: false)',
        "#set par(leading: 0.52em, spacing: 0.75em)",
        '#pdf.attach("chart.json", read("chart.json", encoding: none), relationship: "supplement", '
        f'mime-type: "application/json", description: "Layout of chart {name}")',
        _at(0, 0, f'image("chart.svg", width: {width}mm, height: {height}mm, alt: "{_alt(layout)}")'),
        *(_label(star, x0, y0) for star in layout["stars"]),
        *_bar_words(x0, y0),
        *_tape_line(width, y0, camera),
        _at(MARGIN_MM, strip, f"line(length: {width - 2 * MARGIN_MM}mm, stroke: 0.15mm + luma(70%))"),
        _at(
            width - MARGIN_MM - CODE_MM,
            strip + 3,
            f'image("code.svg", width: {CODE_MM}mm, height: {CODE_MM}mm, alt: "Code of chart {name}")',
        ),
        _at(
            MARGIN_MM,
            strip + 3,
            f"block(width: {width - 2 * MARGIN_MM - CODE_MM - 6}mm, {_columns(plan, name, camera)})",
        ),
    ]
    return "\n".join(parts) + "\n"


def _columns(plan: ChartPlan, name: str, camera: Camera | None) -> str:
    """What the chart is, how to print it, and what it suits, side by side."""
    spokes = f"{plan.spokes} and {plan.small_spokes} spokes, {KINDS[plan.kind]}"
    first = [
        f'#text(size: 1.7em, weight: "bold", tracking: 0.04em)[{name}]',
        _escape(f"Shimwise chart, {plan.stars} stars, {spokes}"),
        *(_escape(text) for text in _purpose(camera)),
    ]
    cells, widths = [first, [_escape(PRINTING)]], [1.2, 1.0]
    if camera is not None and plan.width_mm >= WIDE_MM:
        advice = advise(plan, camera)
        told = [f"*Suits.* {_escape(text)}" for text in advice.suits[:2]]
        told += [f"*Does not suit.* {_escape(text)}" for text in advice.does_not[:1]]
        cells, widths = [*cells, told], [*widths, 1.3]
    columns = ", ".join(f"{width}fr" for width in widths)
    body = ", ".join("[" + " \\ ".join(cell) + "]" for cell in cells)
    return f"grid(columns: ({columns}), column-gutter: 6mm, {body})"


def _purpose(camera: Camera | None) -> list[str]:
    if camera is None:
        return ["For no camera in particular"]
    sensor = f"{camera.sensor_mm[0]:g} × {camera.sensor_mm[1]:g} mm"
    return [
        f"For {camera.focal_mm:g} mm at {_distance(camera.distance_mm)}, f/{camera.fnumber:g}",
        f"Sensor {sensor}, pixels {camera.pitch_um:g} µm",
    ]


def _distance(distance_mm: float) -> str:
    metric = mm_to_metric_text(distance_mm, resolution_mm=1)
    return f"{metric} ({mm_to_feet_text(distance_mm, denominator=8)})".replace("'", "′").replace('"', "″")


def _label(star: dict[str, Any], x0: float, y0: float) -> str:
    """A star's name, small, outside its rim."""
    (x, y), reach = star["centre_mm"], star["radius_mm"] * 0.74 + 0.8
    return _at(x0 + x + reach, y0 + y + reach, f"text(size: 5.4pt, fill: {GREY})[{star['id']}]")


def _bar_words(x0: float, y0: float) -> list[str]:
    word = f"text(size: 6pt, fill: {GREY})[100 mm]"
    ending = _downward(f"move(dy: -2.4mm, box(width: 20mm, align(right, {word})))")
    return [_at(x0 + 52, MARGIN_MM + 2.7, word), _at(MARGIN_MM + 2.6, y0 - 72, ending)]


def _tape_line(width: float, y0: float, camera: Camera | None) -> list[str]:
    """The line at the centre star's height to which the distance is taped: the sheet's face is in focus."""
    x = width - MARGIN_MM - 7
    where = _distance(camera.distance_mm) if camera else "distance  . . . . . . . . . . . . . ."
    words = f"{_escape('plane of focus: tape from the witness mark to this line')} \\ {_escape(where)}"
    text = f"box(width: 69mm, align(right, text(size: 6pt, fill: {GREY})[{words}]))"
    return [
        _at(x, y0, f"line(length: {MARGIN_MM + 7}mm, stroke: 0.2mm)"),
        _at(x - 1.9, y0 - 0.95, "polygon(fill: black, (0mm, 0.95mm), (1.9mm, 0mm), (1.9mm, 1.9mm))"),
        _at(width - MARGIN_MM - 3.2, y0 - 72, _downward(f"move(dy: -2.4mm, {text})")),
    ]


def _at(x_mm: float, y_mm: float, content: str) -> str:
    return f"#place(top + left, dx: {x_mm:.4f}mm, dy: {y_mm:.4f}mm, {content})"


def _downward(content: str) -> str:
    return f"rotate(90deg, origin: top + left, reflow: false, {content})"


def _size(plan: ChartPlan) -> float:
    """Size of the words [pt]: 7 on A4, a little more on larger sheets."""
    return min(10.0, max(6.0, 7.0 * math.sqrt(plan.width_mm / 297)))


def _alt(layout: dict[str, Any]) -> str:
    return f"Test chart with {len(layout['stars'])} spoke stars, slanted squares, markers and two 100 mm bars"


def _date() -> str:
    return f"datetime(year: {DATE.year}, month: {DATE.month}, day: {DATE.day})"


def _escape(text: str) -> str:
    """Make a text plain in typst's markup, a number never parted from its unit."""
    bound = re.sub(r"(?<=[0-9×]) (?=[0-9×a-zµ%])", "\u00a0", text)
    return "".join(f"\\{letter}" if letter in "\\#*_`$<>@=-+/~[]\"'" else letter for letter in bound)
