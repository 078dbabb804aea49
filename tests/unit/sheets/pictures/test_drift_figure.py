"""The figure of a unit's drift: both charts over one time, epochs apart, what is beyond the limits marked."""

import json
from datetime import UTC, datetime, timedelta

from specifications import checked, marks

from shimwise.sheets.pictures.drift_figure import DriftPoint, drift_figure
from shimwise.sheets.pictures.style import page_style

FIRST = datetime(2025, 1, 6, 9, tzinfo=UTC)


def point(month: int, *, epoch: int = 0, average: float = 0.2, deep_sum: float = 0.0) -> DriftPoint:
    """A sign-off, so many months on."""
    return DriftPoint(
        at=FIRST + timedelta(days=30 * month),
        epoch=epoch,
        average=average,
        limit=0.9,
        deep_sum=deep_sum,
        short_sum=0.0,
        is_beyond=average > 0.9 or deep_sum > 5,
    )


def test_what_lies_beyond_a_limit_is_marked_by_shape_and_ink_in_its_own_chart() -> None:
    points = [point(0), point(1, average=1.2, deep_sum=4), point(2, average=0.7, deep_sum=6)]
    style = page_style("dark", 640)
    spec = checked(drift_figure(points, sum_limit=5, style=style))
    for panel, height in zip(spec["vconcat"], (1.2, 6), strict=True):
        [(mark, rows)] = marks(panel, "point", shape="triangle-up")
        assert mark["mark"]["color"] == style.palette.deep
        assert [one["value"] for one in rows] == [height]


def test_charts_of_different_epochs_are_not_joined() -> None:
    points = [point(0), point(1), point(3, epoch=1), point(4, epoch=1)]
    spec = checked(drift_figure(points, adjusted=[FIRST + timedelta(days=60)], sum_limit=5))
    heights = [[one["value"] for one in rows] for _, rows in marks(spec["vconcat"][0], "line")]
    assert [one for one in heights if one[0] == 0.2] == [[0.2, 0.2], [0.2, 0.2]]
    assert "adjusted" in json.dumps(spec)


def test_the_axis_of_time_is_that_of_the_picture_above() -> None:
    span = (FIRST - timedelta(days=400), FIRST + timedelta(days=400))
    spec = drift_figure([point(0), point(1)], span=span, sum_limit=5)
    for panel in spec["vconcat"]:
        domain = panel["layer"][0]["encoding"]["x"]["scale"]["domain"]
        assert [one["year"] for one in domain] == [2023, 2026]


def test_the_figure_is_described_in_words() -> None:
    spec = drift_figure([point(0), point(1, average=1.2)], sum_limit=5)
    assert "2 sign-offs, 1 of them beyond the limits" in spec["description"]
