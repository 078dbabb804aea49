"""The test chart by form: what it suits is told at once, the sheet comes as PDF."""

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.responses import Response

from shimwise.errors import LengthError, ShimwiseError
from shimwise.lengths import length_to_mm
from shimwise.web.pages.deps import PageDep, QueryDep
from shimwise.web.pages.forms import Form, NotANumberError
from shimwise.web.pages.view import render

if TYPE_CHECKING:
    from shimwise.bench.desk.charts import MadeChart

__all__ = ["router"]

router = APIRouter(prefix="/charts")
FIELDS = (
    "paper",
    "stars",
    "kind",
    "focal_mm",
    "fnumber",
    "distance",
    "sensor_width_mm",
    "sensor_height_mm",
    "pitch_um",
    "auto",
)
PAPERS = ("A4", "A3", "Letter", "Tabloid")
MOST_KEPT = 12
_kept: "OrderedDict[tuple[str, ...], MadeChart]" = OrderedDict()
_lock = threading.Lock()


@router.get("")
def show(request: Request, page: PageDep, query: QueryDep) -> Response:
    """Show the form, and the chart that it describes."""
    chart, status = None, 200
    if query.text("make"):
        try:
            chart = _chart(query)
        except ShimwiseError as error:
            query.refuse(error)
            status = 422
    for name, usual in (("paper", "A3"), ("stars", "5"), ("kind", "binary")):
        if not query.text(name):
            query.set(name, usual)
    page.way = "charts"
    page.sentence = "Print the chart at true scale, and tape it up where the lens is to be read."
    if chart is not None:
        page.sentence = f"The chart is ready: {chart.paper}, its code {chart.id}."
    link = "&".join(f"{name}={_quoted(query.text(name))}" for name in FIELDS if query.text(name))
    return render(
        request, "charts.html", page, status=status, form=query, chart=chart, link=link, papers=PAPERS
    )


@router.get("/chart.pdf")
def pdf(query: QueryDep) -> Response:
    """Give the sheet."""
    chart = _chart(query)
    return _file(chart.pdf, "application/pdf", f"shimwise-chart-{chart.id}.pdf")


@router.get("/chart.json")
def layout(query: QueryDep) -> Response:
    """Give the sheet's layout, which a sweep wants beside its frames."""
    return _file(_chart(query).layout_json.encode("utf-8"), "application/json", "chart.json")


def _chart(form: Form) -> "MadeChart":
    """Make the chart, or give it again when it was just made."""
    from shimwise.bench.desk.charts import CameraFacts, make_chart

    key = tuple(form.text(name) for name in FIELDS)
    with _lock:
        if key in _kept:
            return _kept[key]
    width_mm, height_mm = form.number("sensor_width_mm"), form.number("sensor_height_mm")
    camera = CameraFacts(
        focal_mm=form.number("focal_mm"),
        fnumber=form.number("fnumber"),
        distance_mm=_distance_mm(form),
        sensor_mm=None if width_mm is None or height_mm is None else (width_mm, height_mm),
        pitch_um=form.number("pitch_um"),
    )
    chart = make_chart(
        paper=form.text("paper") or "A3",
        stars=int(form.number("stars") or 5),
        kind=form.text("kind") or "binary",
        camera=camera,
        is_auto=bool(form.text("auto")),
    )
    with _lock:
        _kept[key] = chart
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return chart


def _distance_mm(form: Form) -> float | None:
    typed = form.text("distance")
    if not typed:
        return None
    try:
        return length_to_mm(typed)
    except LengthError as error:
        form.refused["distance"] = str(error)
        raise NotANumberError(str(error)) from error


def _file(content: bytes, kind: str, name: str) -> Response:
    headers = {
        "Content-Disposition": f'attachment; filename="{name}"',
        "Cache-Control": "private, max-age=600",
    }
    return Response(content, media_type=kind, headers=headers)


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")
