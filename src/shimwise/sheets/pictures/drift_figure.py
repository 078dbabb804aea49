"""The figure of a unit's drift: the moving average and the sums of its surprises, with their limits."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from shimwise.sheets.pictures.figure_marks import diamond, inline, text_of, y2_of
from shimwise.sheets.pictures.figure_style import Style
from shimwise.sheets.pictures.time_axis import time_mark, utc_text
from shimwise.sheets.words.shared import counted

if TYPE_CHECKING:
    import altair as alt

__all__ = ["DriftPoint", "drift_chart"]

HEIGHT_PX, DAY_PX, GAP_PX = 170, 110, 26
LEAST_MARGIN = timedelta(days=1)
LIMIT_DASH, ADJUSTED_DASH = [2, 3], [5, 4]
BEYOND_PX2 = 150.0
SIGNED = "datum.value == 0 ? '0' : format(datum.value, '+')"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftPoint:
    """Where the charts stood after a sign-off, in standard deviations.

    ``epoch``: charts of different epochs are not joined. ``limit``: half width of the average's limits.
    """

    at: datetime
    epoch: int
    average: float
    limit: float
    deep_sum: float
    short_sum: float
    is_beyond: bool


def drift_chart(
    points: Sequence[DriftPoint],
    *,
    adjusted: Sequence[datetime] = (),
    span: tuple[datetime, datetime] | None = None,
    sum_limit: float,
    style: Style | None = None,
) -> "alt.VConcatChart":
    """Draw both charts of a unit, one above the other over the same time.

    Parameters
    ----------
    points : sequence of DriftPoint
        In time order; one at least.
    adjusted : sequence of datetime
        When the unit was adjusted: there the charts start anew.
    span : tuple of datetime, optional
        First and last time of the axis, such as a picture above has; that of the points without it.
    sum_limit : float
        Decision limit of both sums. [sd]
    style : Style, optional
        Inks and measures; those of paper when not given.
    """
    return _Charts(
        points=points, adjusted=adjusted, span=span, sum_limit=sum_limit, style=style or Style()
    ).chart()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Charts:
    points: Sequence[DriftPoint]
    adjusted: Sequence[datetime]
    span: tuple[datetime, datetime] | None
    sum_limit: float
    style: Style

    def chart(self) -> "alt.VConcatChart":
        import altair as alt

        palette, layout = self.style.palette, self.style.layout
        made: alt.VConcatChart = (
            alt.vconcat(self._averages(), self._sums(), spacing=GAP_PX)
            .properties(description=self._words(), padding=0, background=palette.ground or "transparent")
            .configure(font=layout.font)
            .configure_view(stroke=None)
            .configure_axis(
                labelColor=palette.ink,
                titleColor=palette.ink,
                domainColor=palette.grey,
                tickColor=palette.grey,
                labelFontSize=layout.small_px,
                titleFontSize=layout.small_px,
                titleFontWeight="normal",
                grid=False,
            )
        )
        return made

    def _averages(self) -> "alt.LayerChart | alt.FacetChart":
        far = max(*(abs(one.average) for one in self.points), *(one.limit for one in self.points))
        y = self._y("value", far)
        marks = [*self._ground(y, far), *self._limits(y)]
        marks += self._track("average", [one.average for one in self.points], y)
        return self._panel(marks, "Moving average of surprises (EWMA), in sd")

    def _sums(self) -> "alt.LayerChart | alt.FacetChart":
        far = max(self.sum_limit, *(max(one.deep_sum, one.short_sum) for one in self.points))
        y = self._y("value", far)
        marks = [*self._ground(y, far)]
        first, last = self._ends()
        for side in (1, -1):
            level = [{"at": utc_text(at), "value": side * self.sum_limit} for at in (first, last)]
            marks.append(self._limit(inline(level)).encode(x=self._x(), y=y))
        marks += self._track("deep", [one.deep_sum for one in self.points], y, self.sum_limit)
        marks += self._track("short", [-one.short_sum for one in self.points], y, self.sum_limit)
        return self._panel(marks, "Sums of surprises (CUSUM), in sd")

    def _panel(self, marks: list["alt.Chart"], title: str) -> "alt.LayerChart | alt.FacetChart":
        import altair as alt

        layout = self.style.layout
        words = alt.TitleParams(
            text=title,
            anchor="start",
            frame="bounds",
            fontSize=layout.text_px,
            fontWeight="normal",
            color=self.style.palette.ink,
        )
        width_px = layout.label_px + layout.plot_px + layout.number_px - 70
        return alt.layer(*marks).properties(width=width_px, height=HEIGHT_PX, title=words)

    def _ends(self) -> tuple[datetime, datetime]:
        times = [*(one.at for one in self.points), *self.adjusted, *(self.span or ())]
        first, last = min(times), max(times)
        margin = max((last - first) * 0.06, LEAST_MARGIN)
        return first - margin, last + margin

    def _x(self) -> "alt.X":
        import altair as alt

        domain = [time_mark(at) for at in self._ends()]
        return alt.X(
            "at:T",
            scale=alt.Scale(domain=domain, type="utc"),
            axis=alt.Axis(title=None, values=self._days(), format="%-d %b %Y", labelOverlap=True),
        )

    def _days(self) -> list[Any]:

        times = [one.at for one in self.points]
        most = max(2, int(self.style.layout.plot_px // DAY_PX))
        if len(times) > most:
            times = [times[round(n * (len(times) - 1) / (most - 1))] for n in range(most)]
        return [time_mark(at) for at in times]

    def _y(self, field: str, far: float) -> "alt.Y":
        import altair as alt

        return alt.Y(
            f"{field}:Q",
            scale=alt.Scale(domain=[-1.15 * far, 1.15 * far], nice=True, zero=False),
            axis=alt.Axis(title="◀ short below, deep ▶ above", tickCount=5, labelExpr=SIGNED),
        )

    def _ground(self, y: "alt.Y", far: float) -> Iterator["alt.Chart"]:
        palette, first_last = self.style.palette, self._ends()
        level = [{"at": utc_text(at), "value": 0.0} for at in first_last]
        yield inline(level).mark_line(color=palette.zero, strokeWidth=1).encode(x=self._x(), y=y)
        if self.adjusted:
            values = [
                {"at": utc_text(at), "value": 1.15 * far, "end": -1.15 * far, "words": "adjusted"}
                for at in self.adjusted
            ]
            base = inline(values)
            rule = base.mark_rule(color=palette.grey, strokeDash=ADJUSTED_DASH)
            yield rule.encode(x=self._x(), y=y, y2=y2_of("end"))
            text = base.mark_text(
                color=palette.grey, fontSize=self.style.layout.small_px, align="left", dx=5, baseline="top"
            )
            yield text.encode(x=self._x(), y=y, text=text_of("words"))

    def _limits(self, y: "alt.Y") -> Iterator["alt.Chart"]:
        for points in self._by_epoch(self.points):
            for side in (1, -1):
                values = [{"at": utc_text(one.at), "value": side * one.limit} for one in points]
                yield self._limit(inline(values)).encode(x=self._x(), y=y)

    def _limit(self, chart: "alt.Chart") -> "alt.Chart":
        made: alt.Chart = chart.mark_line(
            color=self.style.palette.grey, strokeDash=LIMIT_DASH, strokeWidth=1.6
        )
        return made

    def _track(
        self, name: str, heights: Sequence[float], y: "alt.Y", limit: float | None = None
    ) -> Iterator["alt.Chart"]:
        """Draw one series: a line within each epoch, diamonds, and triangles in colour beyond the limits."""
        palette, layout = self.style.palette, self.style.layout
        values = [(one, _datum(one, height, name)) for one, height in zip(self.points, heights, strict=True)]
        for points in self._by_epoch(self.points):
            line = inline([datum for one, datum in values if one in points])
            yield line.mark_line(color=palette.ink, strokeWidth=1.6).encode(x=self._x(), y=y)
        within = [datum for one, datum in values if not _is_beyond(one, datum, limit)]
        if within:
            yield diamond(inline(within), palette=palette, size_px2=layout.mark_px2 * 0.7).encode(
                x=self._x(), y=y
            )
        for one, datum in values:
            if _is_beyond(one, datum, limit):
                mark = inline([datum]).mark_point(
                    shape="triangle-up" if datum["value"] > 0 else "triangle-down",
                    filled=True,
                    opacity=1,
                    size=BEYOND_PX2,
                    color=palette.of(datum["value"]),
                )
                yield mark.encode(x=self._x(), y=y)

    def _by_epoch(self, points: Sequence[DriftPoint]) -> list[list[DriftPoint]]:
        epochs = sorted({one.epoch for one in points})
        return [[one for one in points if one.epoch == epoch] for epoch in epochs]

    def _words(self) -> str:
        beyond = sum(one.is_beyond for one in self.points)
        return (
            f"Moving average and sums of surprises over {counted(len(self.points), 'sign-off')}, {beyond} of "
            f"them beyond the limits; adjusted {counted(len(self.adjusted), 'time')}."
        )


def _is_beyond(one: DriftPoint, datum: Mapping[str, Any], limit: float | None) -> bool:
    return bool(abs(datum["value"]) > (one.limit if limit is None else limit))


def _datum(one: DriftPoint, height: float, name: str) -> dict[str, Any]:
    return {"at": utc_text(one.at), "value": height, "series": name}
