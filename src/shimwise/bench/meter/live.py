"""Measure a feed live: its frames one by one, and after each how far the sensor is from best focus."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.meter.recording import FrameKeeper
from shimwise.errors import ImagingError
from shimwise.fields import build_from
from shimwise.imaging.chart.layout import layout_from_json
from shimwise.imaging.frames.feed import Feed, FeedFrame, devices
from shimwise.imaging.frames.folder import read_text
from shimwise.imaging.frames.levels import Levels
from shimwise.imaging.meter.answer import MeterAnswer
from shimwise.imaging.meter.meter import First, Meter, MeterSettings
from shimwise.sheets.json.meter_json import MeterLine, meter_to_json
from shimwise.sheets.terminal.meter_view import meter_view
from shimwise.sheets.words.meter_words import meter_notes, meter_sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from rich.text import Text

__all__ = ["FeedGiven", "LiveMeter", "Measured", "devices", "measure_feed", "screen"]

LINE_S = 0.15
"""Least time between two lines: six a second of a feed of 25."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedGiven:
    """What is told of a feed, before its first frame.

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
    """

    chart: Path
    pitch_um: float
    fnumber: float | None = None
    first: str | None = None
    transfer: str | None = None
    signal_range: str | None = None
    record: Path | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """An answer to be shown: the line as JSON has it, its sentences, and whether it is the last."""

    line: MeterLine
    is_last: bool = False

    @property
    def document(self) -> dict[str, Any]:
        """The line of ``shimwise.meter/1``."""
        return meter_to_json(self.line)

    @property
    def sentences(self) -> list[str]:
        """What it says, and a sentence for each note."""
        return [meter_sentence(self.line), *meter_notes(self.line)]

    @property
    def has_microns(self) -> bool:
        """Whether there is a figure."""
        return self.line.offset_um is not None


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
    levels : Levels, optional
        What a code means; 8 bits of full range in Rec.709 where nothing is said, as browsers hand them out.

    Attributes
    ----------
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
        levels: Levels | None = None,
    ) -> None:
        self.star = layout_from_json(layout).centre_star
        self.has_star, self.is_black = False, True
        self.place: tuple[tuple[float, float], float] | None = None
        self._meter = Meter(
            MeterSettings(
                spokes=self.star.spokes,
                pitch_um=pitch_um,
                fnumber=fnumber,
                first=None if first is None else First(first),
                levels=levels or Levels(black=0.0, white=255.0, transfer="Rec.709", bits=8),
            )
        )

    def add(self, t_s: float, codes: NDArray[Any] | None, *, dropped: int = 0) -> Measured:
        """Take a frame's grey codes, (rows, columns), or None where nothing came; return the answer."""
        if codes is None:
            return Measured(_line(self._meter.stalled(t_s)))
        answer = self._meter.add(t_s, codes, dropped=dropped)
        self.has_star = self.has_star or answer.centre_px is not None
        self.place = None
        if answer.centre_px is not None and answer.radius_px is not None:
            self.place = (answer.centre_px, answer.radius_px)
        self.is_black = self.is_black and "black" in answer.notes
        return Measured(_line(answer))

    def moved(self, right_px: float, down_px: float) -> None:
        """Take note that in frames from now on the star lies so much farther right and down: a new crop."""
        self._meter.moved(right_px, down_px)

    def final(self) -> Measured:
        """Return the answer at the end: the last still second."""
        return Measured(_line(self._meter.final()), is_last=True)

    def positions_um(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return times [s] and places [µm] of the frames, by the passes."""
        return self._meter.positions_um()


def measure_feed(source: str, given: FeedGiven, *, is_fast: bool = False) -> Iterator[Measured]:
    """Measure a feed and yield an answer six times a second, and a last one at its end.

    Raises
    ------
    ImagingError
        When the source cannot be opened, the chart's layout is impossible, or no frame showed its star.
    """
    layout = _layout(given.chart)
    keeper = None if given.record is None else FrameKeeper(given.record)
    with Feed(source, transfer=given.transfer, signal_range=given.signal_range) as feed:
        meter = LiveMeter(
            layout,
            pitch_um=given.pitch_um,
            fnumber=given.fnumber,
            first=given.first,
            levels=feed.facts.levels,
        )
        shown_s, failed = -LINE_S, list[ImagingError]()
        for frame in _until_it_ends(feed.frames(is_fast=is_fast), failed):
            measured = meter.add(frame.t_s, frame.luma, dropped=frame.dropped)
            if keeper is not None and frame.luma is not None:
                keeper.add(frame.t_s, frame.luma)
            if frame.t_s - shown_s >= LINE_S:
                shown_s = frame.t_s
                yield measured
        if keeper is not None:
            keeper.finish(
                *meter.positions_um(),
                chart=given.chart,
                levels=feed.facts.levels,
                pitch_um=given.pitch_um,
                fnumber=given.fnumber,
            )
        yield meter.final()
    if failed:
        raise failed[0]
    if not meter.has_star:
        raise ImagingError(_unseen(feed.name, meter.star.spokes, is_black=meter.is_black))


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


def screen(measured: Measured, *, is_ascii: bool) -> Text:
    """Return what one screen of a terminal shows."""
    return meter_view(measured.line, is_ascii=is_ascii)


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


def _line(answer: MeterAnswer) -> MeterLine:
    return build_from(MeterLine, answer, state=answer.state.value)
