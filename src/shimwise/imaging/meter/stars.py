"""Several stars of a feed at once: each by a meter of its own, and between them the tilt."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import ChartLayout, Star
from shimwise.imaging.frames.levels import codes_to_linear
from shimwise.imaging.meter.answer import MeterAnswer
from shimwise.imaging.meter.lock import discs
from shimwise.imaging.meter.meter import Codes, First, Meter, MeterSettings
from shimwise.imaging.meter.offsets import Offset
from shimwise.imaging.meter.star_frame import StarPlace, rim_radius
from shimwise.imaging.meter.tilt import LiveTilt, live_tilt

SIZE_SHARE, PLACE_SHARE = 0.2, 0.35
"""How far a disc's radius, and its place by its distance from the centre star, may be off; chosen."""
CROP_SHARE, MOST_CROP_PX = 2.5, 512
"""Side of a crop by the star's radius, and the largest."""
MOST_DISCS = 40
TILT_EVERY_S = 0.5


@dataclass(frozen=True, slots=True)
class StarCrop:
    """Part of a frame around one star: its id, the place of its first pixel in the frame, grey codes."""

    star: str
    left_px: int
    top_px: int
    codes: Codes


@dataclass(frozen=True, slots=True)
class StarSpot:
    """Where a star lies in the frame, and the side of a square crop that is enough. [px]"""

    star: str
    x_px: float
    y_px: float
    radius_px: float
    crop_px: int


@dataclass(frozen=True, slots=True)
class StarAnswer:
    """One star's answer, its centre in the frame [px], and its place less that of the middle star."""

    star: str
    answer: MeterAnswer
    centre_px: tuple[float, float] | None
    difference: Offset | None


@dataclass(frozen=True, slots=True)
class StarsAnswer:
    """What all stars show: that nearest to the sheet's middle, each of them, the tilt if three show it."""

    middle: MeterAnswer
    stars: tuple[StarAnswer, ...]
    tilt: LiveTilt | None


class StarsMeter:
    """Meters of a chart's stars, which share one motion.

    Parameters
    ----------
    settings : MeterSettings
        What is known; its count of spokes is not used.
    layout : ChartLayout
        The chart.
    size_px : tuple of int
        Width and height of the whole frame.
    focal_mm : float, optional
        Focal length: with it, the chart's own turn is taken out of the tilt.
    """

    def __init__(
        self,
        settings: MeterSettings,
        layout: ChartLayout,
        *,
        size_px: tuple[int, int],
        focal_mm: float | None = None,
    ) -> None:
        self.settings, self.layout, self.size_px, self.focal_mm = settings, layout, size_px, focal_mm
        self._meters: dict[str, Meter] = {}
        self._answers: dict[str, MeterAnswer] = {}
        self._corner: dict[str, tuple[int, int]] = {}
        self._tilt: LiveTilt | None = None
        self._differences: dict[str, Offset] = {}
        self._compared_s = -math.inf

    def add(self, t_s: float, crops: Sequence[StarCrop], *, dropped: int = 0) -> StarsAnswer:
        """Take a frame's crops, none where nothing came, and return the answer after it.

        Raises
        ------
        ImagingError
            When a crop names no star of the chart, or is no picture.
        """
        if not crops:
            for name, meter in self._meters.items():
                self._answers[name] = meter.stalled(t_s)
        may_calibrate = True
        for crop in crops:
            meter = self._meter(crop.star)
            self._corner[crop.star] = (crop.left_px, crop.top_px)
            corner = (float(crop.left_px), float(crop.top_px))
            self._answers[crop.star] = meter.add(
                t_s, crop.codes, dropped=dropped, corner_px=corner, may_calibrate=may_calibrate
            )
            may_calibrate = may_calibrate and not meter.has_calibrated
        if t_s - self._compared_s >= TILT_EVERY_S and len(self._meters) > 1:
            self._compared_s = t_s
            self._compare()
        return self._answer(self._answers, t_s)

    def final(self) -> StarsAnswer:
        """Return the answer at the end: the last still second of each star."""
        self._compare()
        return self._answer({name: meter.final() for name, meter in self._meters.items()}, 0.0)

    def name_first(self, first: First) -> None:
        """Name the direction that the sensor moves in next, where the side was lost or not named before."""
        self.settings = replace(self.settings, first=first)
        for meter in self._meters.values():
            meter.name_first(first)

    def positions_um(self) -> tuple[FloatArray, FloatArray]:
        """Return times [s] and places [µm] of the frames by the middle star."""
        middle = self._middle()
        return (np.zeros(0), np.zeros(0)) if middle is None else self._meters[middle].positions_um()

    def _meter(self, star: str) -> Meter:
        if star not in self._meters:
            known = {one.id: one for one in self.layout.stars}
            if star not in known:
                raise ImagingError(f"The chart has no star {star!r}; it has {', '.join(known)}.")
            self._meters[star] = Meter(replace(self.settings, spokes=known[star].spokes))
        return self._meters[star]

    def _centre_px(self, star: str) -> tuple[float, float] | None:
        at = self._answers[star].centre_px if star in self._answers else None
        left, top = self._corner.get(star, (0, 0))
        return None if at is None else (at[0] + left, at[1] + top)

    def _middle(self) -> str | None:
        """Return the star nearest to the middle of the sheet, of those that are looked at."""
        stars = [one for one in self.layout.stars if one.id in self._meters]
        return min(stars, key=lambda one: math.hypot(*one.centre_mm)).id if stars else None

    def _compare(self) -> None:
        middle = self._middle()
        if middle is None:
            return
        self._differences = {middle: Offset(0.0, 0.0)} if self._meters[middle].places().t_s.size else {}
        for name, meter in self._meters.items():
            apart = None if name == middle else meter.apart_from(self._meters[middle])
            if apart is not None:
                self._differences[name] = apart
        seen = [name for name in self._differences if self._centre_px(name) is not None]
        stars = {one.id: one for one in self.layout.stars}
        self._tilt = live_tilt(
            np.array([stars[name].centre_mm for name in seen]),
            np.array([self._centre_px(name) for name in seen], dtype=np.float64),
            np.array([self._differences[name].um for name in seen]),
            np.array([self._differences[name].sd_um for name in seen]),
            size_px=self.size_px,
            pitch_um=self.settings.pitch_um,
            focal_mm=self.focal_mm,
        )

    def _answer(self, answers: dict[str, MeterAnswer], t_s: float) -> StarsAnswer:
        middle = self._middle()
        if middle is None:
            nothing = Meter(replace(self.settings, spokes=self.layout.centre_star.spokes)).stalled(t_s)
            return StarsAnswer(nothing, (), None)
        stars = tuple(
            StarAnswer(
                name, answer, self._centre_px(name), None if name == middle else self._differences.get(name)
            )
            for name, answer in answers.items()
        )
        is_whole = self.settings.first is not None and answers[middle].offset_um is not None
        return StarsAnswer(answers[middle], stars, self._tilt if is_whole else None)


def find_stars(
    codes: Codes, layout: ChartLayout, settings: MeterSettings, *, shrink: float = 1.0
) -> list[StarSpot]:
    """Return roughly where the stars of a chart lie in a whole picture, by their discs; the centre's first.

    Parameters
    ----------
    codes : ndarray
        Grey picture, (rows, columns), which may have been scaled down.
    layout : ChartLayout
        The chart, turned by 20° at most, with its centre star in the picture.
    settings : MeterSettings
        What codes mean.
    shrink : float
        How many times smaller than the frame it is.
    """
    picture = codes_to_linear(np.ascontiguousarray(codes), settings.levels)
    found = discs(picture, most=MOST_DISCS)
    best: list[tuple[Star, StarPlace]] = []
    for centre in found:
        matched = _matched(found, centre, layout)
        if len(matched) > len(best):
            best = matched
    spots = []
    for star, place in best:
        radius_px = shrink * (rim_radius(picture, place) or place.radius_px)
        side = 2 * math.ceil(min(CROP_SHARE * radius_px, MOST_CROP_PX) / 2.0)
        x, y = ((one + 0.5) * shrink - 0.5 for one in place.centre_px)
        spots.append(StarSpot(star.id, x, y, radius_px, side))
    return spots


def _matched(found: list[StarPlace], centre: StarPlace, layout: ChartLayout) -> list[tuple[Star, StarPlace]]:
    """Return the discs that lie where the chart's stars would if one of them were its centre star."""
    middle = layout.centre_star
    scale = centre.radius_px / middle.radius_mm
    out = [(middle, centre)]
    for star in layout.stars:
        if star.id == middle.id:
            continue
        way = np.subtract(star.centre_mm, middle.centre_mm) * scale
        reach = PLACE_SHARE * float(np.hypot(*way))
        near = [
            (math.dist(np.add(centre.centre_px, way), one.centre_px), one)
            for one in found
            if one is not centre and abs(one.radius_px / (star.radius_mm * scale) - 1.0) < SIZE_SHARE
        ]
        if near and min(near, key=lambda pair: pair[0])[0] < reach:
            out.append((star, min(near, key=lambda pair: pair[0])[1]))
    return out
