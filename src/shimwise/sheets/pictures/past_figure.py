"""The figure of a unit's past: its error by each verdict, and when it was adjusted."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from shimwise.sheets.pictures.marks import Spec, figure, mark, quantity, signed_axis, time_text
from shimwise.sheets.pictures.style import Style
from shimwise.sheets.pictures.time_figure import TimeFigure
from shimwise.sheets.words.shared import counted, plus_minus_text

HEIGHT_PX = 230
SPAN_TOLERANCES = 1.6
"""The scale reaches at least this many tolerances to either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastPoint:
    """A verdict on a unit: its error and the 95 % interval. [µm, short < 0 < deep]"""

    at: datetime
    error_um: float
    low_um: float
    high_um: float
    is_out: bool


def past_figure(
    points: Sequence[PastPoint],
    *,
    adjusted: Sequence[datetime] = (),
    tolerance_um: float,
    style: Style | None = None,
) -> Spec:
    """Draw a unit's errors over time with their 95 % intervals, the tolerance, and its adjustments as lines.

    Parameters
    ----------
    points : sequence of PastPoint
        In any order; one at least.
    adjusted : sequence of datetime
        When the unit was adjusted.
    tolerance_um : float
        ± of the unit. [µm]
    style : Style, optional
        Inks and measures; those of paper by default.

    Returns
    -------
    dict
        A Vega-Lite specification.
    """
    style = style or Style()
    time = TimeFigure(times=[point.at for point in points], adjusted=adjusted, style=style)
    wide_um = SPAN_TOLERANCES * tolerance_um
    span_um = min(-wide_um, *(one.low_um for one in points)), max(wide_um, *(one.high_um for one in points))
    layers = [*_grounds(time, span_um, tolerance_um), *time.adjustments(), *_errors(points, time, span_um)]
    parts = {"layer": layers, "width": time.width_px, "height": HEIGHT_PX}
    words = _words(points, adjusted, tolerance_um)
    return figure(parts, style, description=words, is_small=True)


def _y(span_um: tuple[float, float], field: str = "um") -> Spec:
    axis = signed_axis("error, µm: ◀ short below, deep ▶ above", ticks=6)
    return quantity(field, span_um, axis, is_rounded=True)


def _grounds(time: TimeFigure, span_um: tuple[float, float], tolerance_um: float) -> Iterator[Spec]:
    first, last = map(time_text, time.ends)
    palette = time.style.palette
    places: Spec = {"x": time.x(), "x2": "to", "y": _y(span_um)}
    band = [{"at": first, "to": last, "um": -tolerance_um, "um2": tolerance_um}]
    yield mark("rect", band, **places, y2="um2", color=palette.tint)
    yield mark("rule", [{"at": first, "to": last, "um": 0.0}], **places, color=palette.zero)


def _errors(points: Sequence[PastPoint], time: TimeFigure, span_um: tuple[float, float]) -> Iterator[Spec]:
    palette, x = time.style.palette, time.x()
    inks = [palette.of(point.error_um) if point.is_out else palette.ink for point in points]
    look: Spec = {"orient": "horizontal", "thickness": 2.6, "size": 15, "opacity": 1}
    for ink in sorted(set(inks)):
        values = [_datum(point) for point, own in zip(points, inks, strict=True) if own == ink]
        yield mark("rule", values, x=x, y=_y(span_um, "low"), y2="high", color=ink, strokeWidth=1.8)
        yield mark("tick", values, x=x, y=_y(span_um), color=ink, **look)


def _datum(point: PastPoint) -> Spec:
    return {"at": time_text(point.at), "um": point.error_um, "low": point.low_um, "high": point.high_um}


def _words(points: Sequence[PastPoint], adjusted: Sequence[datetime], tolerance_um: float) -> str:
    errors = [
        f"{point.at:%Y-%m-%d}: {plus_minus_text(point.error_um, (point.high_um - point.low_um) / 2)} µm."
        for point in points
    ]
    return (
        f"Error over time in microns, {counted(len(points), 'verdict')}, tolerance ±{tolerance_um:g} µm; "
        f"adjusted {counted(len(adjusted), 'time')}. {' '.join(errors)}"
    )
