"""A chart on one page of a PDF at true scale: its drawing, its words and its code, with chart.json attached.

Equal plans and words make equal bytes: the date is fixed, and only the typeface that comes with the
package is used.
"""

import io
import json
import re
from pathlib import Path
from typing import Any

from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.code import chart_id, plan_to_code
from shimwise.sheets.charts.drawing import chart_svg, qr_svg
from shimwise.sheets.charts.layout import BOTTOM_MM, MARGIN_MM, layout_of
from shimwise.sheets.charts.plan import ChartPlan, SpokeKind
from shimwise.sheets.charts.typeset import typeset
from shimwise.sheets.charts.words import Advice, advise

TEMPLATE = Path(__file__).with_name("chart.typ")
WIDE_MM = 260.0
"""Width from which a sheet has room for advice."""
KINDS = {SpokeKind.BINARY: "black and white", SpokeKind.SINUSOIDAL: "grey (sine) for a photo printer"}
PRINTING = (
    "Print at 100 %, unscaled, on matt paper. Both bars measure 100.0 mm on a steel rule, or the sheet is "
    "not to scale. Mount flat, square to the lens axis, evenly lit. Lamps get hot."
)
TAPE = "plane of focus: tape from the witness mark to this line"
_BEFORE_UNIT = re.compile(r"(?<=[0-9×]) (?=[0-9×a-zµ%])")


def layout_json(plan: ChartPlan) -> str:
    """Return the content of a chart's chart.json, with its id."""
    layout = layout_of(plan)
    return json.dumps({"id": chart_id(layout), **layout}, indent=1, ensure_ascii=False) + "\n"


def chart_pdf(plan: ChartPlan, camera: Camera | None = None) -> bytes:
    """Print a chart to a PDF of the sheet's true size.

    Parameters
    ----------
    plan : ChartPlan
        The chart.
    camera : Camera, optional
        The camera it is for; printed on it.

    Returns
    -------
    bytes
        A PDF of one page with chart.json attached; equal for equal arguments.

    Raises
    ------
    SheetError
        If the parts do not fit, or the page cannot be set.
    """
    text = layout_json(plan)
    layout = json.loads(text)
    parts = {
        "main.typ": TEMPLATE.read_bytes(),
        "data.json": json.dumps(_words(plan, layout["id"], camera)).encode(),
        "chart.svg": chart_svg(layout).encode(),
        "code.svg": qr_svg(plan_to_code(plan)).encode(),
        "chart.json": text.encode(),
    }
    return _unscaled(typeset(parts, what="The chart's page"))


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


def _words(plan: ChartPlan, chart: str, camera: Camera | None) -> dict[str, Any]:
    """Return the words of a sheet, as its template reads them."""
    spokes = f"{plan.spokes} and {plan.small_spokes} spokes, {KINDS[plan.kind]}"
    has_advice = camera is not None and plan.width_mm >= WIDE_MM
    advice = advise(plan, camera) if has_advice else Advice((), ())
    about, where = ["For no camera in particular"], "distance . . . . . . . . . . . . . ."
    if camera is not None:
        where = _distance(camera.distance_mm)
        width_mm, height_mm = camera.sensor_mm
        about = [
            f"For {camera.focal_mm:g} mm at {where}, f/{camera.fnumber:g}",
            f"Sensor {width_mm:g} × {height_mm:g} mm, pixels {camera.pitch_um:g} µm",
        ]
    return {
        "name": f"{chart[:4]}-{chart[4:]}",
        "margin_mm": MARGIN_MM,
        "bottom_mm": BOTTOM_MM,
        "about": _bound(f"Shimwise chart, {plan.stars} stars, {spokes}", *about),
        "printing": _bound(PRINTING)[0],
        "suits": _bound(*advice.suits[:2]),
        "does_not": _bound(*advice.does_not[:1]),
        "tape": _bound(TAPE, where),
    }


def _distance(distance_mm: float) -> str:
    metric = mm_to_metric_text(distance_mm, resolution_mm=1)
    return f"{metric} ({mm_to_feet_text(distance_mm, denominator=8)})".replace("'", "′").replace('"', "″")


def _bound(*texts: str) -> list[str]:
    """Return texts in which no line breaks between a number and its unit."""
    return [_BEFORE_UNIT.sub("\u00a0", text) for text in texts]
