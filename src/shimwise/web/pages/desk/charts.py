"""The test chart by form: what it suits is shown at once, the sheet comes as PDF."""

from functools import lru_cache
from urllib.parse import quote

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.desk.charts import CameraFacts, MadeChart, make_chart
from shimwise.web.pages.deps import VisitDep, file_answer
from shimwise.web.pages.forms import Form

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
CACHED = "private, max-age=600"
MOST_KEPT = 12


@router.get("")
def show(visit: VisitDep) -> Response:
    """Show the form, and the chart that it describes."""
    query, chart = visit.form, None
    if query.text("make"):
        with visit.refusing(status=422):
            chart = _chart(query)
    query.fill(paper="A3", stars="5", kind="binary")
    sentence = "Print the chart at true scale, and tape it up where the lens is to be read."
    if chart is not None:
        sentence = f"The chart is ready: {chart.paper}, its code {chart.id}."
    link = "&".join(f"{name}={quote(query.text(name), safe='')}" for name in FIELDS if query.text(name))
    return visit.show("charts.html", sentence=sentence, chart=chart, link=link, papers=PAPERS)


@router.get("/chart.pdf")
def pdf(visit: VisitDep) -> Response:
    """Return the sheet."""
    chart = _chart(visit.form)
    return file_answer(chart.pdf, "application/pdf", f"shimwise-chart-{chart.id}.pdf", cache=CACHED)


@router.get("/chart.json")
def layout(visit: VisitDep) -> Response:
    """Return the sheet's layout, which a sweep needs beside its frames."""
    content = _chart(visit.form).layout_json
    return file_answer(content, "application/json", "chart.json", cache=CACHED)


def _chart(form: Form) -> MadeChart:
    """Return the chart of a form, made anew unless it was just made."""
    width_mm, height_mm = form.number("sensor_width_mm"), form.number("sensor_height_mm")
    camera = CameraFacts(
        **form.read(numbers=("focal_mm", "fnumber", "pitch_um")),
        distance_mm=form.length_mm("distance"),
        sensor_mm=None if width_mm is None or height_mm is None else (width_mm, height_mm),
    )
    return _made(
        paper=form.text("paper") or "A3",
        stars=int(form.number("stars") or 5),
        kind=form.text("kind") or "binary",
        camera=camera,
        is_auto=bool(form.text("auto")),
    )


_made = lru_cache(maxsize=MOST_KEPT)(make_chart)
