"""The tilt of a page's feed: how best focus differs between the centre star and those at the corners.

A page knows no sheet's layout. Of our charts the corner stars make a rectangle about the centre star; its
sides are taken from the picture, and the chart's own turn from how the rectangle looks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from shimwise.fields import build_from
from shimwise.imaging.meter.meter import Meter
from shimwise.imaging.meter.offsets import Offset
from shimwise.imaging.meter.tilt import LiveTilt, live_tilt
from shimwise.sheets.json.meter_json import TiltLine

EVERY_S = 0.3
"""Time between two comparisons, each of one star: several at once would cost a frame."""
LEAST_STARS = 3
CORNERS = 4
CHART_SHARE = 0.02
"""Standard uncertainty of the chart's share that is taken out: a focal length is 1 % off its name, and counts
twice. Common practice, no source."""
SQUARE_SHARE = 0.03
"""How far opposite sides of the corners may differ, beyond what a slanted sheet does: else no rectangle."""

Point = tuple[float, float]


class FeedTilt:
    """Compares the stars of a feed with the centre one, one after the other, and keeps the tilt.

    Parameters
    ----------
    pitch_um : float
        Pixel pitch of the whole picture. [µm]
    focal_mm, distance_mm : float or None
        Focal length, and distance of the chart: with both the chart's own turn is taken out.
    """

    def __init__(self, *, pitch_um: float, focal_mm: float | None, distance_mm: float | None) -> None:
        self.pitch_um, self.focal_mm, self.distance_mm = pitch_um, focal_mm, distance_mm
        self.differences: dict[int, Offset] = {}
        self.tilt: TiltLine | None = None
        self._compared_s = -math.inf
        self._turn = 0

    def add(
        self,
        t_s: float,
        stars: Mapping[int, tuple[Meter, Point]],
        *,
        size_px: tuple[int, int],
    ) -> None:
        """Take the meters of a frame and where their stars are in the picture [px]; 0 is the centre star.

        Nothing is compared where the side is not known: the tilt stays as it was seen last.
        """
        middle = stars[0][0] if 0 in stars else None
        others = sorted(set(stars) - {0})
        if middle is None or not others or not middle.is_side_known or t_s - self._compared_s < EVERY_S:
            return
        self._compared_s, self._turn = t_s, self._turn + 1
        number = others[self._turn % len(others)]
        apart = stars[number][0].apart_from(middle)
        if apart is None:
            return
        self.differences[number] = apart
        self.tilt = self._tilt({n: at for n, (_, at) in stars.items()}, size_px)

    def _tilt(self, places: Mapping[int, Point], size_px: tuple[int, int]) -> TiltLine | None:
        seen = [n for n in sorted(places) if n == 0 or n in self.differences]
        if len(seen) < LEAST_STARS:
            return self.tilt
        px = np.array([places[n] for n in seen])
        apart = [Offset(0.0, 0.0) if n == 0 else self.differences[n] for n in seen]
        # A corner that no pass has shown yet is in the picture, and makes the rectangle with the others.
        whole_mm = self._rectangle_mm(places)
        chart_mm = None if whole_mm is None else whole_mm[[n in seen for n in sorted(places)]]

        def fitted(focal_mm: float | None) -> LiveTilt | None:
            return live_tilt(
                px if chart_mm is None else chart_mm,
                px,
                np.array([one.um for one in apart]),
                np.array([one.sd_um for one in apart]),
                size_px=size_px,
                pitch_um=self.pitch_um,
                focal_mm=focal_mm,
            )

        left_in, found = fitted(None), fitted(None if chart_mm is None else self.focal_mm)
        if found is None or left_in is None:
            return None
        share_um = (left_in.x_um - found.x_um, left_in.y_um - found.y_um)
        return build_from(
            TiltLine,
            found,
            x_sd_um=math.hypot(found.x_sd_um, CHART_SHARE * share_um[0]),
            y_sd_um=math.hypot(found.y_sd_um, CHART_SHARE * share_um[1]),
        )

    def _rectangle_mm(self, places: Mapping[int, Point]) -> NDArray[np.float64] | None:
        """Return where the stars lie on the sheet, by their numbers; None where they make no rectangle.

        The mean of opposite sides is that of the sheet square on but for the square of its turn; how much
        they differ is its turn.
        """
        if self.focal_mm is None or self.distance_mm is None or len(places) != CORNERS + 1:
            return None
        centre = np.array(places[0])
        corners = {n: np.array(places[n]) - centre for n in places if n}
        signs = {n: (math.copysign(1.0, at[0]), math.copysign(1.0, at[1])) for n, at in corners.items()}
        if len(set(signs.values())) != CORNERS:
            return None
        side = {sign: corners[n] for n, sign in signs.items()}
        right = side[1.0, -1.0] - side[-1.0, -1.0], side[1.0, 1.0] - side[-1.0, 1.0]
        down = side[-1.0, 1.0] - side[-1.0, -1.0], side[1.0, 1.0] - side[1.0, -1.0]
        across, high = (float(np.linalg.norm((one + other) / 2)) for one, other in (right, down))
        is_square = (
            abs(float(np.dot(right[0] + right[1], down[0] + down[1]))) < SQUARE_SHARE * 4 * across * high
        )
        if not is_square:
            return None
        per_px = 1e-3 * self.pitch_um * (self.distance_mm - self.focal_mm) / self.focal_mm
        half = per_px * np.array([across, high]) / 2.0
        return np.array([half * signs.get(n, (0.0, 0.0)) for n in sorted(places)])
