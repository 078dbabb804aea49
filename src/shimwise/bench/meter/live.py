"""Measure a feed live: its frames one by one, and after each how far the sensor is from best focus."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray
from rich.text import Text

from shimwise.bench.meter.measured import FULL_RANGE, SCALE_SHARE, Measured, line_of
from shimwise.bench.meter.recording import FrameKeeper
from shimwise.bench.meter.stars import LiveStars, MeasuredStars
from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import layout_from_json
from shimwise.imaging.frames.feed import Feed, FeedFrame, devices
from shimwise.imaging.frames.folder import read_text
from shimwise.imaging.frames.levels import CodeLevels
from shimwise.imaging.meter.meter import First, Meter, MeterSettings
from shimwise.optics.ring_setting import SETTING_SD_MM, ring_setting_sd_um
from shimwise.sheets.json.meter_json import RingLine
from shimwise.sheets.terminal.meter_view import meter_view

__all__ = ["Answered", "FeedGiven", "LiveMeter", "Measured", "devices", "measure_feed", "screen"]

Answered = Measured | MeasuredStars

NAME_WAY = "At rest, type a (away from the lens) or t (toward it) and Enter; then turn that way."
LINE_S = 0.15
"""Least time between two lines: six a second of a feed of 25."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedGiven:
    """What is stated of a feed before its first frame.

    Attributes
    ----------
    chart : Path
        The chart's layout, chart.json.
    pitch_um : float
        Pixel pitch of the feed, µm: of a picture scaled down, the sensor's pitch times the scale.
    fnumber : float or None
        f-number as set; without it no microns are given.
    first : str or None
        ``away`` or ``toward``: which way the sensor moves first.
    transfer, signal_range : str or None
        Curve and range where the feed does not state them.
    record : Path or None
        Folder in which the frames are kept as a sweep; otherwise none is kept.
    focal_mm, distance_mm : float or None
        Focal length, and distance of ring and chart: with both, the error of setting the ring is computed.
    setting_sd_mm : float
        Standard deviation of a setting in object space at 3 ft, mm.
    has_stars, has_axes : bool
        Whether all stars are measured, with the tilt, and the axes of an anamorphic apart.
    """

    chart: Path
    pitch_um: float
    fnumber: float | None = None
    first: str | None = None
    transfer: str | None = None
    signal_range: str | None = None
    record: Path | None = None
    focal_mm: float | None = None
    distance_mm: float | None = None
    setting_sd_mm: float = SETTING_SD_MM
    has_stars: bool = False
    has_axes: bool = False

    @property
    def ring(self) -> RingLine | None:
        """Error of setting the ring; None unless lens and distance are stated."""
        if self.distance_mm is None:
            return None
        if self.focal_mm is None:
            raise ImagingError("What the ring adds needs the focal length beside the distance.")
        sd_um = ring_setting_sd_um(
            focal_mm=self.focal_mm, distance_mm=self.distance_mm, setting_sd_mm=self.setting_sd_mm
        )
        return RingLine(distance_mm=self.distance_mm, focal_mm=self.focal_mm, sd_um=sd_um)


class LiveMeter:
    """The meter on frames that somebody hands over one by one, as a page does that films the monitor.

    Parameters
    ----------
    layout : object
        The parsed content of chart.json; its centre star is measured.
    pitch_um : float
        Pixel pitch of the frames, µm.
    fnumber : float, optional
        f-number as set; without it no microns are given.
    first : str, optional
        ``away`` or ``toward``: which way the sensor moves first.
    levels : CodeLevels, optional
        What a code means; 8 bits of full range in Rec.709 by default, as browsers return them.
    star : str, optional
        Id of the star to be measured, where it is not the centre one.
    has_axes : bool
        Whether the axes of an anamorphic are measured apart.
    is_late : bool
        Whether the feed was running before: then the first motion has to begin at rest to show the side.

    Attributes
    ----------
    core : Meter
        What measures: its modulation, sides and passes.
    place : tuple or None
        Centre (x, y) and radius of the star in the last frame [px], None where it was not seen.

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
        fnumber: float | None = None,
        first: str | None = None,
        levels: CodeLevels | None = None,
        star: str | None = None,
        has_axes: bool = False,
        is_late: bool = False,
    ) -> None:
        chart = layout_from_json(layout)
        named = [one for one in chart.stars if one.id == star]
        if star is not None and not named:
            raise ImagingError(
                f"The chart has no star {star!r}; it has {', '.join(s.id for s in chart.stars)}."
            )
        self.star = named[0] if named else chart.centre_star
        self.spokes, self.has_star, self.is_black = self.star.spokes, False, True
        self.place: tuple[tuple[float, float], float] | None = None
        self.core = Meter(
            MeterSettings(
                spokes=self.star.spokes,
                pitch_um=pitch_um,
                fnumber=fnumber,
                first=None if first is None else First(first),
                levels=levels or FULL_RANGE,
                scale_share=SCALE_SHARE,
                has_axes=has_axes,
                is_late=is_late,
            )
        )

    def add(
        self, t_s: float, codes: NDArray[Any] | None, *, dropped: int = 0, may_calibrate: bool = True
    ) -> Measured:
        """Take a frame's grey codes, (rows, columns), or None where nothing came; return the answer.

        ``may_calibrate``: as of :meth:`.meter.Meter.add`.
        """
        if codes is None:
            return Measured(line_of(self.core.stalled(t_s)))
        answer = self.core.add(t_s, codes, dropped=dropped, may_calibrate=may_calibrate)
        self.has_star = self.has_star or answer.centre_px is not None
        self.place = None
        if answer.centre_px is not None and answer.radius_px is not None:
            self.place = (answer.centre_px, answer.radius_px)
        self.is_black = self.is_black and "black" in answer.notes
        return Measured(line_of(answer))

    def name_first(self, first: str) -> None:
        """Name the direction that the sensor moves in next: ``away`` or ``toward``."""
        self.core.name_first(First(first))

    def final(self) -> Measured:
        """Return the answer at the end: the last still second."""
        return Measured(line_of(self.core.final()), is_last=True)

    def positions_um(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return times [s] and places [µm] of the frames, by the passes."""
        return self.core.positions_um()


def measure_feed(
    source: str,
    given: FeedGiven,
    *,
    is_fast: bool = False,
    named: Callable[[], str | None] = lambda: None,
    is_ended: Callable[[], bool] = lambda: False,
) -> Iterator[Answered]:
    """Measure a feed and yield an answer six times a second, and a last one at its end.

    ``named`` is asked after each frame which way a person, at rest, has named for the next turn: ``away`` or
    ``toward``, if any; ``is_ended``, whether the person has ended a feed that goes on.

    Raises
    ------
    ImagingError
        When the source cannot be opened, the chart's layout is impossible, or no frame showed its star.
    """
    layout, ring = _layout(given.chart), given.ring
    keeper = None if given.record is None else FrameKeeper(given.record)
    with Feed(source, transfer=given.transfer, signal_range=given.signal_range) as feed:
        known: dict[str, Any] = {
            "pitch_um": given.pitch_um,
            "fnumber": given.fnumber,
            "first": given.first,
            "levels": feed.facts.levels,
            "has_axes": given.has_axes,
        }
        meter: LiveMeter | LiveStars
        take: Callable[..., Answered]
        if given.has_stars:
            size_px = (feed.facts.width_px, feed.facts.height_px)
            meter = LiveStars(layout, size_px=size_px, focal_mm=given.focal_mm, **known)
            take = meter.whole
        else:
            meter = LiveMeter(layout, **known)
            take = meter.add
        shown_s, failed = -LINE_S, list[ImagingError]()
        for frame in _until_it_ends(feed.frames(is_fast=is_fast), failed):
            measured = take(frame.t_s, frame.luma, dropped=frame.dropped).with_ring(ring)
            way = named()
            if way is not None:
                meter.name_first(way)
            if keeper is not None and frame.luma is not None:
                keeper.add(frame.t_s, frame.luma)
            if frame.t_s - shown_s >= LINE_S:
                shown_s = frame.t_s
                yield measured
            if is_ended():
                break
        if keeper is not None:
            keeper.finish(
                *meter.positions_um(),
                chart=given.chart,
                levels=feed.facts.levels,
                pitch_um=given.pitch_um,
                fnumber=given.fnumber,
                focal_mm=given.focal_mm,
            )
        yield meter.final().with_ring(ring)
    if failed:
        raise failed[0]
    if not meter.has_star:
        raise ImagingError(_unseen(feed.name, meter.spokes, is_black=meter.is_black))


def _until_it_ends(frames: Iterator[FeedFrame], failed: list[ImagingError]) -> Iterator[FeedFrame]:
    """Yield the frames; what ends them in the middle is kept, so that the last answer is given first."""
    has_begun = False
    try:
        for frame in frames:
            has_begun = True
            yield frame
    except ImagingError as error:
        if not has_begun:
            raise
        failed.append(error)


def screen(measured: Answered, *, is_ascii: bool) -> Text:
    """Return what one screen of a terminal shows."""
    line = measured.middle.line if isinstance(measured, MeasuredStars) else measured.line
    is_asked = line.state == "still" and line.offset_um is not None and not line.is_signed
    asked = [NAME_WAY] if is_asked and (line.low_um or 0.0) > 0.0 else []
    return meter_view(line, is_ascii=is_ascii, more=[*measured.more_sentences, *asked])


def _unseen(name: str, spokes: int, *, is_black: bool) -> str:
    if is_black:
        return f"{name}: every frame is black. Open the lens, light the chart, and record again."
    return (
        f"{name}: in no frame is the chart's centre star seen ({spokes} spokes). Bring it into the picture, "
        "at least 90 px across and roughly sharp, and check that --chart names this sheet's layout."
    )


def _layout(path: Path) -> object:
    try:
        return json.loads(read_text(path))
    except json.JSONDecodeError as error:
        raise ImagingError(
            f"{path.name}: no JSON at line {error.lineno}; give the chart's own chart.json."
        ) from error
