"""The figure of a unit's drift: the moving average and the sums of its surprises, with their limits."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from shimwise.sheets.pictures.marks import (
    DASHED,
    Spec,
    figure,
    grouped,
    mark,
    quantity,
    reading_mark,
    signed_axis,
    time_text,
)
from shimwise.sheets.pictures.style import Style
from shimwise.sheets.pictures.time_figure import TimeFigure
from shimwise.sheets.words.shared import counted

HEIGHT_PX, GAP_PX = 170, 26
BEYOND_PX2 = 150.0
"""Size of the triangle of a point beyond its limits. [px²]"""
HEADROOM = 1.15
"""The scale reaches this many times as far as what it shows."""
SMALLER = 0.7
"""Size of a diamond beside that of a reading in the verdict's figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftPoint:
    """The state of the charts after a sign-off, in standard deviations.

    ``epoch``: charts of different epochs are not joined. ``limit``: half width of the average's limits.
    """

    at: datetime
    epoch: int
    average: float
    limit: float
    deep_sum: float
    short_sum: float
    is_beyond: bool


def drift_figure(
    points: Sequence[DriftPoint],
    *,
    adjusted: Sequence[datetime] = (),
    span: tuple[datetime, datetime] | None = None,
    sum_limit: float,
    style: Style | None = None,
) -> Spec:
    """Draw both charts of a unit, one above the other over the same time.

    Parameters
    ----------
    points : sequence of DriftPoint
        In time order; one at least.
    adjusted : sequence of datetime
        When the unit was adjusted: there the charts start anew.
    span : tuple of datetime, optional
        First and last time of the axis, such as a picture above has; by default those of the points.
    sum_limit : float
        Decision limit of both sums. [sd]
    style : Style, optional
        Inks and measures; those of paper by default.

    Returns
    -------
    dict
        A Vega-Lite specification.
    """
    style = style or Style()
    time = TimeFigure(times=[one.at for one in points], adjusted=adjusted, span=span or (), style=style)
    averages = _track(points, [one.average for one in points], [one.limit for one in points])
    sums = [
        _track(points, values, [sum_limit] * len(points))
        for values in ([one.deep_sum for one in points], [-one.short_sum for one in points])
    ]
    average_limits = [
        [{**one, "value": side * one["limit"]} for one in of_epoch]
        for _, of_epoch in grouped(averages, "epoch")
        for side in (1, -1)
    ]
    sum_limits = [time.level(side * sum_limit) for side in (1, -1)]
    panels = [
        _panel("Moving average of surprises (EWMA), in sd", time, [averages], average_limits),
        _panel("Sums of surprises (CUSUM), in sd", time, sums, sum_limits),
    ]
    words = (
        f"Moving average and sums of surprises over {counted(len(points), 'sign-off')}, "
        f"{sum(one.is_beyond for one in points)} of them beyond the limits; "
        f"adjusted {counted(len(adjusted), 'time')}."
    )
    parts = {"vconcat": panels, "spacing": GAP_PX}
    return figure(parts, style, description=words, is_small=True)


def _track(points: Sequence[DriftPoint], values: Sequence[float], limits: Sequence[float]) -> list[Spec]:
    return [
        {"at": time_text(point.at), "value": value, "epoch": point.epoch, "limit": limit}
        for point, value, limit in zip(points, values, limits, strict=True)
    ]


def _panel(title: str, time: TimeFigure, tracks: Sequence[list[Spec]], limits: Sequence[list[Spec]]) -> Spec:
    palette, layout, x = time.style.palette, time.style.layout, time.x()
    far = max(reach for track in tracks for one in track for reach in (abs(one["value"]), one["limit"]))
    axis = signed_axis("◀ short below, deep ▶ above", ticks=5)
    y = quantity("value", (-HEADROOM * far, HEADROOM * far), axis, is_rounded=True)
    zero = mark("line", time.level(0.0), x=x, y=y, color=palette.zero, strokeWidth=1)
    dashed: Spec = {"color": palette.grey, "strokeDash": DASHED, "strokeWidth": 1.6}
    lines = [mark("line", limit, x=x, y=y, **dashed) for limit in limits]
    marks = [layer for track in tracks for layer in _marks(track, x, y, time.style)]
    words: Spec = {"text": title, "anchor": "start", "frame": "bounds", "color": palette.ink}
    return {
        "layer": [zero, *time.adjustments(), *lines, *marks],
        "width": time.width_px,
        "height": HEIGHT_PX,
        "title": {**words, "fontSize": layout.text_px, "fontWeight": "normal"},
    }


def _marks(track: list[Spec], x: Spec, y: Spec, style: Style) -> Iterator[Spec]:
    """Draw one series: a line within each epoch, diamonds, and triangles in colour beyond the limits."""
    palette, size_px2 = style.palette, SMALLER * style.layout.mark_px2
    for _, of_epoch in grouped(track, "epoch"):
        yield mark("line", of_epoch, x=x, y=y, color=palette.ink, strokeWidth=1.6)
    within = [one for one in track if abs(one["value"]) <= one["limit"]]
    if within:
        yield reading_mark(within, x=x, y=y, palette=palette, size_px2=size_px2)
    for one in track:
        if one not in within:
            ink, way = palette.of(one["value"]), "up" if one["value"] > 0 else "down"
            look: Spec = {"filled": True, "opacity": 1, "size": BEYOND_PX2, "color": ink}
            yield mark("point", [one], x=x, y=y, shape=f"triangle-{way}", **look)
