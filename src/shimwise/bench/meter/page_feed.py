"""What a page states of a feed before its first frame, read and checked."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from shimwise.bench.meter.feed_message import MOST_PARTS, FeedRefusedError

MOST_CHARACTERS = 4000
WAYS = ("away", "toward")
NAMES = ("body_id", "lens_id", "setup_id", "body", "lens", "at", "focal_mm", "axis", "distance_text")
"""Names of what is measured; shown on other devices, and saved with a landing."""
LONGEST = 80
HUGE = 1e12
"""What is larger is no number that somebody typed, and perhaps none that a float holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFeed:
    """What is known of a feed.

    Attributes
    ----------
    pixel_um : float
        Pixel pitch of the sensor, µm.
    across_px : float or None
        Pixels of the sensor that the picture's longer side shows; None where a pixel of the picture is one.
    fnumber : float or None
        f-number as set; without it no microns.
    first : str or None
        Which way the sensor moves first, ``away`` or ``toward``; the ring to nearer marks is ``away``.
    focal_mm, distance_mm : float or None
        Focal length, and distance of the chart: with both its own turn is taken out of the tilt.
    stars : int
        1, or 5 for the centre and the corners.
    takes_over : bool
        Whether another page that measures this prep is to end.
    page : str
        Id of the page, new each time that it is loaded: its own former line is taken over silently.
    is_sweep : bool
        Whether positions of a sweep are taken: then there is no landing that others could look at.
    of : dict
        Names of what is measured.
    """

    pixel_um: float
    across_px: float | None = None
    fnumber: float | None = None
    first: str | None = None
    focal_mm: float | None = None
    distance_mm: float | None = None
    stars: int = 1
    takes_over: bool = False
    page: str = ""
    is_sweep: bool = False
    of: dict[str, str] = field(default_factory=dict)

    def pitch_um(self, size_px: tuple[int, int]) -> float:
        """Return the pitch of the picture's pixels; a camera may be turned: its longer side counts. [µm]"""
        return self.pixel_um if self.across_px is None else self.pixel_um * self.across_px / max(*size_px, 1)


def read_page_feed(text: str) -> PageFeed:
    """Read a page's first message.

    Raises
    ------
    FeedRefusedError
        When it is no JSON object of this kind, or a number is impossible.
    """
    try:
        sent = json.loads(text) if len(text) <= MOST_CHARACTERS else None
    except (ValueError, RecursionError):
        sent = None
    if not isinstance(sent, dict):
        raise FeedRefusedError(
            "told", "What the page says of the camera cannot be read. Load the page again."
        )
    first, stars = sent.get("first"), sent.get("stars", 1)
    if first is not None and first not in WAYS:
        raise FeedRefusedError("told", "Choose which way it is turned first.")
    if stars not in {1, MOST_PARTS}:
        raise FeedRefusedError("told", f"1 or {MOST_PARTS} stars are measured.")
    pixel_um = _number(sent, "pixel_um", 0.2, 100.0, "the sensor's pixel, in µm")
    if pixel_um is None:
        raise FeedRefusedError("told", "Type the size of the sensor's pixel, in µm.")
    of = sent.get("of")
    return PageFeed(
        pixel_um=pixel_um,
        across_px=_number(sent, "across_px", 64.0, 65536.0, "the sensor's pixels across the picture"),
        fnumber=_number(sent, "fnumber", 0.7, 64.0, "the f-number"),
        focal_mm=_number(sent, "focal_mm", 1.0, 5000.0, "the focal length, in mm"),
        distance_mm=_number(sent, "distance_mm", 10.0, 1e6, "the chart's distance, in mm"),
        first=first,
        stars=stars,
        takes_over=sent.get("takes_over") is True,
        page=str(sent.get("page") or "")[:LONGEST],
        is_sweep=sent.get("is_sweep") is True,
        of={name: str(of.get(name) or "")[:LONGEST] for name in NAMES} if isinstance(of, dict) else {},
    )


def _number(sent: dict[str, Any], name: str, low: float, high: float, words: str) -> float | None:
    value = sent.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < HUGE:
        raise FeedRefusedError("told", f"Type {words} as a number.")
    if not low <= value <= high:
        raise FeedRefusedError("told", f"Type {words} between {low:g} and {high:g}; {value:g} is impossible.")
    return float(value)
