"""The figure of a sweep, for paper: contrast through focus, each star's peak, and the map of the tilt."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from shimwise.inference.verdict.answer import Z95
from shimwise.sheets.json.sweep_json import Sweep
from shimwise.sheets.pictures.marks import (
    DASHED,
    Spec,
    figure,
    headed,
    mark,
    quantity,
    reading_mark,
    signed_axis,
)
from shimwise.sheets.pictures.style import PAPER, Style
from shimwise.sheets.words.shared import capital, plain, signed_text
from shimwise.sheets.words.sweep_words import grouped_flags, sweep_sentence

WIDTH_PX, CURVES_PX, GAP_PX, SPACING_PX = 520, 190, 30, 22
PEAKS_PX, MAP_PX, ROW_PX, LEAST_PX = 235, 255, 22, 110
INK, GREY = PAPER.ink, PAPER.grey
MOST_FLAGS = 3
"""Flags that the line below the headline names."""
SHARE_AXIS: Spec = {"title": "contrast, share of the peak", "grid": False, "tickCount": 5}
BEST: Spec = {"color": INK, "strokeDash": DASHED, "strokeWidth": 1.4}
"""How best focus is marked."""
_AXIS = {
    "sensor": "sensor position, µm (0: where it stands; + away from the lens)",
    "ring": "sensor position that does the same as the ring's, µm (+ away from the lens)",
    "chart": "sensor position that does the same as the chart's, µm (+ away from the lens)",
    "screw": "sensor position by the screw's turns, µm (0: where it stood; + clockwise)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A star's or target's contrast by position [µm], as measured and as fitted, as a share of its peak."""

    name: str
    points: tuple[tuple[float, float], ...]
    fit: tuple[tuple[float, float], ...]


def sweep_figure(sweep: Sweep, curves: Sequence[Curve]) -> Spec:
    """Draw the curves of all stars with their fits, and below them each star's peak and where it is.

    Parameters
    ----------
    sweep : Sweep
        The result.
    curves : sequence of Curve
        The first is drawn heavy: the centre star's, or the target's.

    Returns
    -------
    dict
        A Vega-Lite specification.
    """
    panels = [curves_panel(sweep, curves)]
    if sweep.stars:
        panels.append({"hconcat": [peaks_panel(sweep), map_panel(sweep)], "spacing": GAP_PX})
    sentence = capital(sweep_sentence(sweep))
    parts = {"vconcat": panels, "spacing": SPACING_PX, "title": headed(sentence, _subtitle(sweep))}
    stars = [f"Star {plain(star.id)}: {signed_text(star.best_um, digits=2)} µm." for star in sweep.stars]
    return figure(parts, Style(), description=" ".join([plain(sentence), *stars]))


def _subtitle(sweep: Sweep) -> str:
    if sweep.stars and sweep.band_cy_mm:
        low, high = sweep.band_cy_mm
        parts = [
            f"Contrast is the mean from {low:g} to {high:g} cycles/mm as a share of each star's own peak: "
            "heavy the centre star, fine the others; diamonds are frames, lines the fit."
        ]
    else:
        parts = ["Gradient energy of the target as a share of its largest; relative."]
    if sweep.best_um is not None:
        where = " at the frame's centre" if sweep.stars else ""
        parts.append(f"The pale band is the 95 % interval of best focus{where}.")
    return " ".join([*parts, *(f"Flag: {plain(flag)}" for flag in grouped_flags(sweep.flags)[:MOST_FLAGS])])


def _spread(values: Sequence[float], share: float, least: float) -> tuple[float, float]:
    """Return the span of values with a margin: a share of it, and at least so much."""
    low, high = min(values), max(values)
    margin = max(share * (high - low), least)
    return low - margin, high + margin


def curves_panel(sweep: Sweep, curves: Sequence[Curve]) -> Spec:
    """Draw contrast through focus, the first star heavy, over best focus with its interval."""
    places = [um for curve in curves for um, _ in curve.points] or [0.0, 1.0]
    heights = [share for curve in curves for _, share in (*curve.points, *curve.fit)] or [0.0, 1.0]
    rise = min(0.0, *heights) - 0.03, max(1.0, *heights) + 0.08
    x = quantity("um", _spread(places, 0.03, 1e-3), signed_axis(_AXIS[sweep.swept]))
    y = quantity("share", rise, SHARE_AXIS)
    layers = [*_best(sweep, x, y, rise)]
    for number, curve in reversed(list(enumerate(curves))):
        if curve.fit:
            values = [{"um": um, "share": share} for um, share in curve.fit]
            ink, width = (GREY, 0.7) if number else (INK, 1.8)
            layers.append(mark("line", values, x=x, y=y, color=ink, strokeWidth=width, clip=True))
    if curves:
        values = [{"um": um, "share": share} for um, share in curves[0].points]
        layers.append(reading_mark(values, x=x, y=y))
    return {"layer": layers, "width": WIDTH_PX, "height": CURVES_PX}


def _best(sweep: Sweep, x: Spec, y: Spec, rise: tuple[float, float]) -> Iterator[Spec]:
    """Mark position 0, the sensor's own, and best focus with its interval."""
    ends = {"share": rise[0], "top": rise[1]}
    if sweep.landing_um is not None:
        yield mark("rule", [{"um": 0.0, **ends}], x=x, y=y, y2="top", color=INK, clip=True)
    if sweep.best_um is None:
        return
    best, half = sweep.best_um, sweep.half_um
    band = [{"um": best - half, "um2": best + half, **ends}]
    yield mark("rect", band, x=x, x2="um2", y=y, y2="top", color=PAPER.tint, clip=True)
    line = [{"um": best, "text": f"{signed_text(best, digits=2)} µm", **ends}]
    yield mark("rule", line, x=x, y=y, y2="top", clip=True, **BEST)
    top = quantity("top", rise, SHARE_AXIS)
    yield mark("text", line, x=x, y=top, words="text", color=INK, align="left", dx=5, fontSize=10)


def peaks_panel(sweep: Sweep) -> Spec:
    """Draw a row for each star: its peak as a diamond on its 95 % bar."""
    rows: list[Spec] = []
    for number, star in enumerate(sweep.stars):
        half = Z95 * (star.sd_um or 0.0)
        ends = {"um": star.best_um, "low": star.best_um - half, "high": star.best_um + half}
        rows.append({"row": float(number), "text": plain(star.id), **ends})
    low, high = _spread([row[end] for row in rows for end in ("low", "high")], 0.1, 0.05)
    domain, span = (low - 0.14 * (high - low), high), (len(rows) - 0.4, -0.6)
    axis = signed_axis("best focus of each star, µm")
    x, y = quantity("um", domain, axis), quantity("row", span)
    layers = []
    if sweep.best_um is not None and domain[0] < sweep.best_um < domain[1]:
        line = [{"um": sweep.best_um, "row": span[1], "row2": span[0]}]
        layers.append(mark("rule", line, x=x, y=y, y2="row2", **BEST))
    bars = quantity("low", domain, axis)
    layers.append(mark("rule", rows, x=bars, x2="high", y=y, color=INK, strokeWidth=1.4))
    layers.append(reading_mark(rows, x=x, y=y))
    names = [{**row, "um": domain[0]} for row in rows]
    layers.append(mark("text", names, x=x, y=y, words="text", align="left", fontSize=10, color=INK))
    return {"layer": layers, "width": PEAKS_PX, "height": max(ROW_PX * len(rows), LEAST_PX)}


def map_panel(sweep: Sweep) -> Spec:
    """Write at each star's place in the frame how far its peak lies from the mean of all."""
    mean_um = sum(star.best_um for star in sweep.stars) / len(sweep.stars)
    rows: list[Spec] = []
    for star in sweep.stars:
        off_um = star.best_um - mean_um
        text = signed_text(off_um, digits=1 if abs(off_um) < 100 else 0)
        rows.append({"x": star.x_px, "y": star.y_px, "off": abs(off_um), "is_far": off_um > 0, "text": text})
    across = _spread([star.x_px for star in sweep.stars], 0.2, 30.0)
    down = _spread([star.y_px for star in sweep.stars], 0.4, 30.0)
    x, y = quantity("x", across), quantity("y", (down[1], down[0]))
    scale = {"domain": [0, max(1e-6, *(row["off"] for row in rows))], "range": [8, 420]}
    by = {"size": {"field": "off", "type": "quantitative", "scale": scale, "legend": None}}
    layers = []
    for is_far in (False, True):
        chosen = [row for row in rows if row["is_far"] is is_far]
        if chosen:
            look: Spec = {"shape": "circle", "filled": is_far, "strokeWidth": 1.2, "opacity": 1}
            layers.append(mark("point", chosen, x=x, y=y, by=by, color=GREY if is_far else INK, **look))
    layers.append(mark("text", rows, x=x, y=y, words="text", fontSize=10, color=INK, dy=-18))
    title = {
        "text": "From the stars' mean, µm, as the frame lies",
        "subtitle": "filled: farther from the lens · open: nearer",
        "fontSize": 10,
        "subtitleFontSize": 10,
        "fontWeight": "normal",
        "anchor": "start",
        "color": INK,
        "subtitleColor": INK,
    }
    height = max(ROW_PX * len(rows), LEAST_PX)
    view = {"stroke": GREY}
    return {"layer": layers, "width": MAP_PX, "height": height, "title": title, "view": view}
