"""The figure of a unit's past: what each verdict said of its error, and when it was adjusted."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from shimwise.sheets.pictures.figure_marks import inline, text_of, y2_of
from shimwise.sheets.pictures.figure_style import Style
from shimwise.sheets.pictures.time_axis import time2_of, time_mark, utc_text
from shimwise.sheets.words.shared import counted, plus_minus_text

if TYPE_CHECKING:
    import altair as alt

__all__ = ["PastPoint", "past_chart"]

HEIGHT_PX, DAY_PX = 230, 110
SPAN_TOLERANCES = 1.6
"""The scale reaches at least this many tolerances to either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastPoint:
    """What a verdict said of a unit: its error and the 95 % interval. [µm, short < 0 < deep]"""

    at: datetime
    error_um: float
    low_um: float
    high_um: float
    is_out: bool


def past_chart(
    points: Sequence[PastPoint],
    *,
    adjusted: Sequence[datetime] = (),
    tolerance_um: float,
    style: Style | None = None,
) -> "alt.LayerChart | alt.FacetChart":
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
        Inks and measures; those of paper when not given.

    Returns
    -------
    altair.LayerChart
        With its description.
    """
    return _Past(points=points, adjusted=adjusted, tolerance_um=tolerance_um, style=style or Style()).chart()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Past:
    points: Sequence[PastPoint]
    adjusted: Sequence[datetime]
    tolerance_um: float
    style: Style

    def chart(self) -> "alt.LayerChart | alt.FacetChart":
        import altair as alt

        palette, layout = self.style.palette, self.style.layout
        width_px = layout.label_px + layout.plot_px + layout.number_px - 70
        size_px = layout.small_px
        chart: alt.LayerChart | alt.FacetChart = (
            alt.layer(*self._grounds(), *self._adjustments(), *self._errors())
            .properties(width=width_px, height=HEIGHT_PX, description=self._words(), padding=0)
            .properties(background=palette.ground or "transparent")
            .configure(font=layout.font)
            .configure_view(stroke=None)
            .configure_axis(
                labelColor=palette.ink,
                titleColor=palette.ink,
                domainColor=palette.grey,
                tickColor=palette.grey,
                labelFontSize=size_px,
                titleFontSize=size_px,
                titleFontWeight="normal",
                grid=False,
            )
        )
        return chart

    def _ends(self) -> tuple[datetime, datetime]:
        times = [*(point.at for point in self.points), *self.adjusted]
        return min(times), max(times)

    def _x(self) -> "alt.X":
        import altair as alt

        first, last = self._ends()
        margin = max((last - first) * 0.06, _LEAST_MARGIN)
        domain = [time_mark(first - margin), time_mark(last + margin)]
        return alt.X(
            "at:T",
            scale=alt.Scale(domain=domain, type="utc"),
            axis=alt.Axis(title=None, values=self._days(), format="%-d %b %Y", labelOverlap=True),
        )

    def _days(self) -> list[Any]:
        """Choose the days that are named below, each once, as many as there is room for."""
        days = sorted({point.at.date() for point in self.points})
        most = max(2, int(self.style.layout.plot_px // DAY_PX))
        chosen = (
            days
            if len(days) <= most
            else [days[round(n * (len(days) - 1) / (most - 1))] for n in range(most)]
        )
        first = {day: min(point.at for point in self.points if point.at.date() == day) for day in chosen}
        return [time_mark(at) for at in first.values()]

    def _y(self, field: str = "um") -> "alt.Y":
        import altair as alt

        wide_um = SPAN_TOLERANCES * self.tolerance_um
        low = min(-wide_um, *(point.low_um for point in self.points))
        high = max(wide_um, *(point.high_um for point in self.points))
        return alt.Y(
            f"{field}:Q",
            scale=alt.Scale(domain=[low, high], nice=True, zero=False),
            axis=alt.Axis(
                title="error, µm: ◀ short below, deep ▶ above",
                tickCount=6,
                labelExpr="datum.value == 0 ? '0' : format(datum.value, '+')",
            ),
        )

    def _grounds(self) -> list["alt.Chart"]:
        first, last = self._ends()
        margin = max((last - first) * 0.06, _LEAST_MARGIN)
        span = {"at": utc_text(first - margin), "to": utc_text(last + margin)}
        half = self.tolerance_um
        band = inline([{**span, "um": -half, "um2": half}]).mark_rect(color=self.style.palette.tint)
        zero = inline([{**span, "um": 0.0}]).mark_rule(color=self.style.palette.zero)
        return [
            band.encode(x=self._x(), x2=time2_of("to"), y=self._y(), y2=y2_of("um2")),
            zero.encode(x=self._x(), x2=time2_of("to"), y=self._y()),
        ]

    def _adjustments(self) -> list["alt.Chart"]:
        if not self.adjusted:
            return []
        ink, size_px = self.style.palette.grey, self.style.layout.small_px
        base = inline([{"at": utc_text(at), "words": "adjusted"} for at in self.adjusted]).encode(x=self._x())
        return [
            base.mark_rule(color=ink, strokeDash=[5, 4]),
            base.mark_text(color=ink, fontSize=size_px, align="left", dx=5, baseline="top", y=2).encode(
                text=text_of("words")
            ),
        ]

    def _errors(self) -> list["alt.Chart"]:
        parts: list[alt.Chart] = []
        for ink in sorted({self._ink(point) for point in self.points}):
            chosen = [_datum(point) for point in self.points if self._ink(point) == ink]
            base = inline(chosen)
            parts += [
                base.mark_rule(color=ink, strokeWidth=1.8).encode(
                    x=self._x(), y=self._y("low"), y2=y2_of("high")
                ),
                base.mark_tick(orient="horizontal", color=ink, thickness=2.6, size=15, opacity=1).encode(
                    x=self._x(), y=self._y()
                ),
            ]
        return parts

    def _ink(self, point: PastPoint) -> str:
        palette = self.style.palette
        return palette.of(point.error_um) if point.is_out else palette.ink

    def _words(self) -> str:
        told = [
            f"{point.at:%Y-%m-%d}: {plus_minus_text(point.error_um, (point.high_um - point.low_um) / 2)} µm."
            for point in self.points
        ]
        return (
            f"Error over time in microns, {counted(len(told), 'verdict')}, "
            f"tolerance ±{self.tolerance_um:g} µm; adjusted {counted(len(self.adjusted), 'time')}. "
            f"{' '.join(told)}"
        )


def _datum(point: PastPoint) -> dict[str, Any]:
    return {"at": utc_text(point.at), "um": point.error_um, "low": point.low_um, "high": point.high_um}


_LEAST_MARGIN = datetime(2000, 1, 2) - datetime(2000, 1, 1)
