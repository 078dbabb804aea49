"""The picture of a unit's drift for its page, over the same time as the picture of its past."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from shimwise.bench.history.drift_views import DriftView
from shimwise.bench.verdict.pictures import drawn
from shimwise.fields import build_from
from shimwise.sheets.pictures.style import page_style


def drift_svg(
    drift: DriftView, *, times: Sequence[datetime] = (), theme: str = "dark", width_px: int = 680
) -> str:
    """Draw a unit's drift as SVG; empty if there are too few sign-offs for a chart.

    Parameters
    ----------
    drift : DriftView
        As it was computed.
    times : sequence of datetime
        Of the picture above, that both have one axis of time.
    theme, width_px
        As of :func:`shimwise.bench.verdict.pictures.prep_landings_svg`.
    """
    from shimwise.sheets.pictures.drift_figure import DriftPoint, drift_figure

    style = page_style(theme, width_px)
    points = tuple(
        build_from(
            DriftPoint,
            row,
            at=row.signed_at,
            deep_sum=row.deep_sum or 0.0,
            short_sum=row.short_sum or 0.0,
        )
        for row in drift.rows
        if row.average is not None and row.limit is not None
    )
    if not points:
        return ""
    span = (min(times), max(times)) if times else None

    def draw() -> dict[str, Any]:
        return drift_figure(
            points, adjusted=drift.adjusted, span=span, sum_limit=drift.sum_limit, style=style
        )

    key = ("drift", theme, width_px, points, drift.adjusted, span)
    return drawn(key, draw, name="Moving average and sums of what the sign-offs surprised by, with limits.")
