"""Several stars of a feed live: centre and corners at once, and the tilt between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from numpy.typing import NDArray

from shimwise.bench.meter.measured import FULL_RANGE, SCALE_SHARE, Measured, line_of
from shimwise.fields import build_from
from shimwise.imaging.chart.layout import layout_from_json
from shimwise.imaging.frames.levels import CodeLevels
from shimwise.imaging.meter.meter import First, MeterSettings
from shimwise.imaging.meter.stars import StarCrop, StarsAnswer, StarsMeter, StarSpot, find_stars
from shimwise.sheets.json.meter_json import MeterMore, RingLine, StarLine, TiltLine, meter_to_json
from shimwise.sheets.words.meter_words import tilt_sentence

SEARCH_S = 1.0
"""Time between searches of whole frames for stars that are lost."""

__all__ = ["LiveStars", "MeasuredStars", "StarCrop", "StarSpot"]


@dataclass(frozen=True, slots=True)
class MeasuredStars:
    """What all stars show: the one nearest to the frame's middle, each of them, and the tilt."""

    middle: Measured
    stars: tuple[StarLine, ...] = ()
    tilt: TiltLine | None = None

    @property
    def document(self) -> dict[str, Any]:
        """The line of ``shimwise.meter/2``."""
        return meter_to_json(
            self.middle.line, MeterMore(stars=self.stars, tilt=self.tilt, ring=self.middle.ring)
        )

    @property
    def more_sentences(self) -> list[str]:
        """The tilt where it is known, and what the ring's setting adds."""
        return [*([] if self.tilt is None else [tilt_sentence(self.tilt)]), *self.middle.more_sentences]

    @property
    def sentences(self) -> list[str]:
        """The answer of the middle star, and more."""
        return [*self.middle.own_sentences, *self.more_sentences]

    def with_ring(self, ring: RingLine | None) -> MeasuredStars:
        """Return it with what the ring's setting adds."""
        return replace(self, middle=self.middle.with_ring(ring))

    @property
    def has_microns(self) -> bool:
        """Whether the middle star has a figure."""
        return self.middle.has_microns


class LiveStars:
    """The meter on crops of a frame, one around each star, as :class:`shimwise.bench.meter.live.LiveMeter`.

    Parameters
    ----------
    layout : object
        The parsed content of chart.json.
    pitch_um : float
        Pixel pitch of the frames, µm.
    size_px : tuple of int
        Width and height of the whole frame.
    fnumber : float, optional
        f-number as set; without it no microns are given.
    first : str, optional
        ``away`` or ``toward``: which way the sensor moves first.
    levels : CodeLevels, optional
        What a code means; 8 bits of full range in Rec.709 by default.
    focal_mm : float, optional
        Focal length: with it the chart's own turn is taken out of the tilt.
    has_axes : bool
        Whether the axes of an anamorphic are measured apart.

    Raises
    ------
    ImagingError
        If the layout or a number is impossible.
    """

    def __init__(
        self,
        layout: object,
        *,
        pitch_um: float,
        size_px: tuple[int, int],
        fnumber: float | None = None,
        first: str | None = None,
        levels: CodeLevels | None = None,
        focal_mm: float | None = None,
        has_axes: bool = False,
    ) -> None:
        self.layout = layout_from_json(layout)
        self._settings = MeterSettings(
            spokes=self.layout.centre_star.spokes,
            pitch_um=pitch_um,
            levels=levels or FULL_RANGE,
            fnumber=fnumber,
            first=None if first is None else First(first),
            scale_share=SCALE_SHARE,
            has_axes=has_axes,
        )
        self._meter = StarsMeter(self._settings, self.layout, size_px=size_px, focal_mm=focal_mm)
        self.spokes, self.has_star, self.is_black = self._settings.spokes, False, True
        self._spots: list[StarSpot] = []
        self._searched_s, self._is_lost = 0.0, False

    def find(self, codes: NDArray[Any], *, shrink: float = 1.0) -> list[StarSpot]:
        """Return roughly where the stars lie in a whole picture, which may be ``shrink`` times smaller."""
        return find_stars(codes, self.layout, self._settings, shrink=shrink)

    def add(self, t_s: float, crops: Sequence[StarCrop], *, dropped: int = 0) -> MeasuredStars:
        """Take a frame's crops, none where nothing came; return the answer."""
        return self._measured(self._meter.add(t_s, crops, dropped=dropped))

    def final(self) -> MeasuredStars:
        """Return the answer at the end: the last still second."""
        return self._measured(self._meter.final(), is_last=True)

    def name_first(self, first: str) -> None:
        """Name the direction that the sensor moves in next: ``away`` or ``toward``."""
        self._meter.name_first(First(first))

    def positions_um(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return times [s] and places [µm] of the frames by the middle star."""
        return self._meter.positions_um()

    def whole(self, t_s: float, codes: NDArray[Any] | None, *, dropped: int = 0) -> MeasuredStars:
        """Take a whole frame, or None where nothing came: stars are found in it and cut out."""
        if codes is None:
            return self.add(t_s, [], dropped=dropped)
        if not self._spots or (self._is_lost and t_s - self._searched_s > SEARCH_S):
            self._searched_s = t_s
            self._spots = self.find(codes) or self._spots or [_middle_of(codes, self.layout.centre_star.id)]
        measured = self.add(t_s, [_cut(codes, spot) for spot in self._spots], dropped=dropped)
        self._is_lost = {"no_chart", "black"} & set(measured.middle.line.notes) != set()
        self.is_black = self.is_black and "black" in measured.middle.line.notes
        return measured

    def _measured(self, answer: StarsAnswer, *, is_last: bool = False) -> MeasuredStars:
        self.has_star = self.has_star or any(one.centre_px is not None for one in answer.stars)
        stars = tuple(
            build_from(
                StarLine,
                one.answer,
                star=one.star,
                x_px=None if one.centre_px is None else one.centre_px[0],
                y_px=None if one.centre_px is None else one.centre_px[1],
                difference_um=None if one.difference is None else one.difference.um,
                difference_sd_um=None if one.difference is None else one.difference.sd_um,
            )
            for one in answer.stars
        )
        tilt = None if answer.tilt is None else build_from(TiltLine, answer.tilt)
        return MeasuredStars(Measured(line_of(answer.middle), is_last=is_last), stars, tilt)


def _cut(codes: NDArray[Any], spot: StarSpot) -> StarCrop:
    half = spot.crop_px // 2
    left, top = (max(round(at) - half, 0) for at in (spot.x_px, spot.y_px))
    return StarCrop(spot.star, left, top, codes[top : top + spot.crop_px, left : left + spot.crop_px])


def _middle_of(codes: NDArray[Any], star: str) -> StarSpot:
    """Return the whole frame as the place of a star that is not seen yet."""
    rows, columns = codes.shape
    side = 2 * (max(rows, columns) // 2 + 1)
    return StarSpot(star, (columns - 1) / 2, (rows - 1) / 2, rows / 4, side)
