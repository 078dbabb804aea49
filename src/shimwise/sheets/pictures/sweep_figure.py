"""The figure of a sweep, for paper: contrast through focus, each star's peak, and the map of the tilt."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shimwise.inference.verdict.answer import Z95
from shimwise.sheets.pictures.figure_marks import GREY, INK, TINT, diamond, inline, text_of, x2_of, y2_of
from shimwise.sheets.pictures.verdict_figure import FONT, SUBTITLE_LETTERS, TITLE_LETTERS
from shimwise.sheets.terminal.sweep_report import half_um, sweep_sentence
from shimwise.sheets.words.shared import capital, plain, signed_text, wrapped
from shimwise.sheets.words.sweep_flags import grouped_flags

if TYPE_CHECKING:
    import altair as alt

__all__ = ["Curve", "sweep_chart"]

WIDTH_PX, CURVES_PX, GAP_PX = 520, 190, 30
PEAKS_PX, MAP_PX, ROW_PX = 235, 255, 22
MARGIN_SHARE = 0.08
_Document = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A star's or target's contrast by position [µm], as measured and as fitted, as a share of its peak."""

    name: str
    points: tuple[tuple[float, float], ...]
    fit: tuple[tuple[float, float], ...]


def sweep_chart(document: _Document, curves: Sequence[Curve]) -> "alt.VConcatChart":
    """Draw the curves of all stars with their fits, and below them each star's peak and where it stands.

    Parameters
    ----------
    document : mapping
        A sweep of the form ``shimwise.sweep/1``.
    curves : sequence of Curve
        The first is drawn heavy: the centre star's, or the target's.

    Returns
    -------
    altair.VConcatChart
        To be saved with :func:`shimwise.sheets.pictures.figure_file.save_figure`.
    """
    import altair as alt

    panels: list[Any] = [_curves(document, curves)]
    if document["stars"]:
        panels.append(alt.hconcat(_peaks(document), _map(document), spacing=GAP_PX))
    title = alt.TitleParams(
        text=wrapped(plain(capital(sweep_sentence(document))), TITLE_LETTERS),
        subtitle=wrapped(_subtitle(document), SUBTITLE_LETTERS),
        anchor="start",
        frame="bounds",
        fontSize=13,
        subtitleFontSize=10.5,
        subtitleColor=INK,
        offset=14,
        color=INK,
    )
    chart: alt.VConcatChart = (
        alt.vconcat(*panels, spacing=22)
        .properties(title=title, description=_description(document), padding=14, background="white")
        .configure(font=FONT)
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=INK, titleColor=INK, labelFontSize=10, titleFontSize=10, titleFontWeight="normal"
        )
    )
    return chart


def _subtitle(document: _Document) -> str:
    parts = []
    if document["stars"]:
        low, high = document["band_cy_mm"]
        parts.append(
            f"Contrast is the mean from {low:g} to {high:g} cycles/mm as a share of each star's own peak: "
            "heavy the centre star, fine the others; diamonds are frames, lines the fit."
        )
    else:
        parts.append("Gradient energy of the target as a share of its largest; relative.")
    if document["best_um"] is not None:
        where = " at the frame's centre" if document["stars"] else ""
        parts.append(f"The pale band is the 95 % interval of best focus{where}.")
    parts += [f"Flag: {plain(flag)}" for flag in grouped_flags(document["flags"])[:3]]
    return " ".join(parts)


def _description(document: _Document) -> str:
    stars = [
        f"Star {plain(star['id'])}: {signed_text(star['best_um'], digits=2)} µm."
        for star in document["stars"]
    ]
    return " ".join([plain(capital(sweep_sentence(document))), *stars])


def _x(field: str, domain: tuple[float, float], title: str) -> "alt.X":
    import altair as alt

    return alt.X(
        f"{field}:Q",
        scale=alt.Scale(domain=list(domain), nice=False, zero=False),
        axis=alt.Axis(
            title=title,
            grid=False,
            tickCount=7,
            labelExpr="datum.value == 0 ? '0' : format(datum.value, '+')",
        ),
    )


def _y(field: str, domain: tuple[float, float], title: str | None) -> "alt.Y":
    import altair as alt

    axis = alt.Axis(title=title, grid=False, tickCount=5) if title else None
    return alt.Y(f"{field}:Q", scale=alt.Scale(domain=list(domain), nice=False, zero=False), axis=axis)


def _spread(values: Sequence[float], share: float = MARGIN_SHARE, least: float = 1e-3) -> tuple[float, float]:
    low, high = min(values), max(values)
    margin = max(share * (high - low), least)
    return low - margin, high + margin


def _curves(document: _Document, curves: Sequence[Curve]) -> "alt.LayerChart | alt.FacetChart":
    import altair as alt

    places = [point[0] for curve in curves for point in curve.points] or [0.0, 1.0]
    heights = [point[1] for curve in curves for point in (*curve.points, *curve.fit)] or [0.0, 1.0]
    domain, rise = _spread(places, 0.03), (min(0.0, *heights) - 0.03, max(1.0, *heights) + 0.08)
    x = _x("um", domain, _AXIS[document.get("swept", "sensor")])
    y = _y("share", rise, "contrast, share of the peak")
    marks: list[Any] = [*_best(document, x, y, rise)]
    for number, curve in reversed(list(enumerate(curves))):
        is_first = number == 0
        if curve.fit:
            values = [{"um": at, "share": share} for at, share in curve.fit]
            line = inline(values).mark_line(
                color=INK if is_first else GREY, strokeWidth=1.8 if is_first else 0.7, clip=True
            )
            marks.append(line.encode(x=x, y=y))
    if curves:
        values = [{"um": at, "share": share} for at, share in curves[0].points]
        marks.append(diamond(inline(values)).encode(x=x, y=y))
    return alt.layer(*marks).properties(width=WIDTH_PX, height=CURVES_PX)


_AXIS = {
    "sensor": "sensor position, µm (0: where it stands; + away from the lens)",
    "ring": "sensor position that does the same as the ring's, µm (+ away from the lens)",
    "chart": "sensor position that does the same as the chart's, µm (+ away from the lens)",
    "screw": "sensor position by the screw's turns, µm (0: where it stood; + clockwise)",
}


def _best(document: _Document, x: "alt.X", y: "alt.Y", rise: tuple[float, float]) -> Iterator["alt.Chart"]:
    """Mark position 0 where the sensor stands, and best focus with its interval."""
    if document["landing_um"] is not None:
        values = [{"um": 0.0, "share": rise[0], "top": rise[1]}]
        yield inline(values).mark_rule(color=INK, clip=True).encode(x=x, y=y, y2=y2_of("top"))
    best = document["best_um"]
    if best is None:
        return
    half = half_um(document)
    values = [{"um": best - half, "um2": best + half, "share": rise[0], "top": rise[1]}]
    band = inline(values).mark_rect(color=TINT, clip=True)
    yield band.encode(x=x, x2=x2_of("um2"), y=y, y2=y2_of("top"))
    told = [{"um": best, "share": rise[0], "top": rise[1], "text": f"{signed_text(best, digits=2)} µm"}]
    rule = inline(told).mark_rule(color=INK, strokeDash=[2, 3], strokeWidth=1.4, clip=True)
    yield rule.encode(x=x, y=y, y2=y2_of("top"))
    text = inline(told).mark_text(color=INK, align="left", dx=5, fontSize=10)
    yield text.encode(x=x, y=_y("top", rise, "contrast, share of the peak"), text=text_of("text"))


def _peaks(document: _Document) -> "alt.LayerChart | alt.FacetChart":
    """Give each star a row: its peak as a diamond on its 95 % bar."""
    import altair as alt

    stars = document["stars"]
    rows = [
        {
            "row": float(number),
            "um": star["best_um"],
            "low": star["best_um"] - Z95 * (star["sd_um"] or 0.0),
            "high": star["best_um"] + Z95 * (star["sd_um"] or 0.0),
            "text": plain(star["id"]),
        }
        for number, star in enumerate(stars)
    ]
    ends = [value for row in rows for value in (row["low"], row["high"])]
    low, high = _spread(ends, 0.1, 0.05)
    domain = (low - 0.14 * (high - low), high)
    x = _x("um", domain, "best focus of each star, µm")
    y = _y("row", (len(stars) - 0.4, -0.6), None)
    marks: list[Any] = []
    if document["best_um"] is not None and domain[0] < document["best_um"] < domain[1]:
        values = [{"um": document["best_um"], "row": -0.6, "row2": len(stars) - 0.4}]
        rule = inline(values).mark_rule(color=INK, strokeDash=[2, 3], strokeWidth=1.4)
        marks.append(rule.encode(x=x, y=y, y2=y2_of("row2")))
    bars = inline(rows).mark_rule(color=INK, strokeWidth=1.4)
    marks.append(bars.encode(x=_x("low", domain, "best focus of each star, µm"), x2=x2_of("high"), y=y))
    marks.append(diamond(inline(rows)).encode(x=x, y=y))
    names = inline([{**row, "um": domain[0]} for row in rows]).mark_text(align="left", fontSize=10, color=INK)
    marks.append(names.encode(x=x, y=y, text=text_of("text")))
    return alt.layer(*marks).properties(width=PEAKS_PX, height=max(ROW_PX * len(stars), 110))


def _map(document: _Document) -> "alt.LayerChart | alt.FacetChart":
    """Write at each star's place in the frame how far its peak lies from the mean of all."""
    import altair as alt

    stars = document["stars"]
    mean = sum(star["best_um"] for star in stars) / len(stars)
    rows = [
        {
            "x": star["x_px"],
            "y": star["y_px"],
            "off": abs(star["best_um"] - mean),
            "is_far": star["best_um"] > mean,
            "text": signed_text(star["best_um"] - mean, digits=1 if abs(star["best_um"] - mean) < 100 else 0),
        }
        for star in stars
    ]
    across = _spread([row["x"] for row in rows], 0.2, 30.0)
    down = _spread([row["y"] for row in rows], 0.4, 30.0)
    largest = max([*(row["off"] for row in rows), 1e-6])
    x = alt.X("x:Q", scale=alt.Scale(domain=list(across), nice=False, zero=False), axis=None)
    y = alt.Y("y:Q", scale=alt.Scale(domain=[down[1], down[0]], nice=False, zero=False), axis=None)
    size = alt.Size("off:Q", scale=alt.Scale(domain=[0, largest], range=[8, 420]), legend=None)
    marks: list[Any] = []
    for is_far in (False, True):
        chosen = [row for row in rows if row["is_far"] is is_far]
        if chosen:
            mark = inline(chosen).mark_point(
                shape="circle", filled=is_far, color=INK if not is_far else GREY, strokeWidth=1.2, opacity=1
            )
            marks.append(mark.encode(x=x, y=y, size=size))
    words = inline(rows).mark_text(fontSize=10, color=INK, dy=-18)
    marks.append(words.encode(x=x, y=y, text=text_of("text")))
    title = alt.TitleParams(
        text="From the stars' mean, µm, as the frame lies",
        subtitle="filled: farther from the lens · open: nearer",
        fontSize=10,
        subtitleFontSize=10,
        fontWeight="normal",
        anchor="start",
        color=INK,
        subtitleColor=INK,
    )
    return alt.layer(*marks).properties(
        width=MAP_PX, height=max(ROW_PX * len(stars), 110), title=title, view=alt.ViewConfig(stroke=GREY)
    )
