"""What the figures of one unit over time share: the axis of days, the adjustments, a panel's size."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from shimwise.sheets.pictures.marks import Spec, mark, time_axis, time_text
from shimwise.sheets.pictures.style import Style

DAY_PX = 110
"""Room that the name of a day takes. [px]"""
MARGIN_SHARE, LEAST_MARGIN = 0.06, timedelta(days=1)
"""Margin at either end of the axis: a share of the span, and at least this."""
OUTER_PX = 70
"""Of the verdict's figure, what lies beside the plot of a figure over time. [px]"""
LEAST_DAYS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeFigure:
    """The axis of a unit's past.

    ``times``: of the points; ``adjusted``: when the unit was adjusted; ``span``: times that the axis holds as
    well, such as those of a picture above.
    """

    times: Sequence[datetime]
    adjusted: Sequence[datetime]
    span: Sequence[datetime] = ()
    style: Style

    @property
    def width_px(self) -> float:
        """Width of the plot. [px]"""
        layout = self.style.layout
        return layout.label_px + layout.plot_px + layout.number_px - OUTER_PX

    @property
    def ends(self) -> tuple[datetime, datetime]:
        """Both ends of the axis, with their margins."""
        times = [*self.times, *self.adjusted, *self.span]
        first, last = min(times), max(times)
        margin = max((last - first) * MARGIN_SHARE, LEAST_MARGIN)
        return first - margin, last + margin

    def x(self) -> Spec:
        """Return the channel of a time; days are named once each, as many as there is room for."""
        first_of = {at.date(): at for at in sorted(self.times, reverse=True)}
        days = sorted(first_of.values())
        most = max(LEAST_DAYS, int(self.style.layout.plot_px // DAY_PX))
        if len(days) > most:
            days = [days[round(n * (len(days) - 1) / (most - 1))] for n in range(most)]
        return time_axis(self.ends, days)

    def adjustments(self) -> Iterator[Spec]:
        """Draw a dashed line through the plot where the unit was adjusted."""
        if self.adjusted:
            ink, x = self.style.palette.grey, self.x()
            values = [{"at": time_text(at), "words": "adjusted"} for at in self.adjusted]
            yield mark("rule", values, x=x, color=ink, strokeDash=[5, 4])
            look: Spec = {"fontSize": self.style.layout.small_px, "align": "left", "dx": 5, "baseline": "top"}
            yield mark("text", values, x=x, y=2, words="words", color=ink, **look)

    def level(self, value: float) -> list[Spec]:
        """Return the data of a level line from end to end."""
        return [{"at": time_text(at), "value": value} for at in self.ends]
