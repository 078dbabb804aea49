"""Times on a picture's axis: as the figures' data and their domains want them."""

from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import altair as alt

__all__ = ["time2_of", "time_mark", "utc_text"]


def utc_text(at: datetime) -> str:
    """Write a time in UTC as data of a figure."""
    return f"{at:%Y-%m-%dT%H:%M:%S}Z"


def time_mark(at: datetime) -> "alt.DateTime":
    """Give a time in UTC as a mark or an end of an axis, to the minute."""
    import altair as alt

    parts: dict[str, Any] = {
        "year": at.year,
        "month": at.month,
        "date": at.day,
        "hours": at.hour,
        "minutes": at.minute,
    }
    return alt.DateTime(utc=True, **parts)


def time2_of(field: str) -> "alt.X2":
    """Give the field of a time at which a mark ends."""
    import altair as alt

    return alt.X2(f"{field}:T")
