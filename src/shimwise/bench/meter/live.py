"""Measure a feed live: its frames one by one, and after each how far the sensor is from best focus."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import ChartLayout, layout_from_json
from shimwise.imaging.frames.feed import Feed, devices
from shimwise.imaging.frames.folder import read_text
from shimwise.imaging.meter.answer import MeterAnswer
from shimwise.imaging.meter.meter import First, Meter, MeterSettings
from shimwise.sheets.json.meter_json import MeterLine, meter_to_json
from shimwise.sheets.terminal.meter_view import meter_view
from shimwise.sheets.words.meter_words import meter_notes, meter_sentence

if TYPE_CHECKING:
    from rich.text import Text

__all__ = ["FeedGiven", "Measured", "devices", "measure_feed", "screen"]

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
    """

    chart: Path
    pitch_um: float
    fnumber: float | None = None
    first: str | None = None
    transfer: str | None = None
    signal_range: str | None = None


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


def measure_feed(source: str, given: FeedGiven, *, is_fast: bool = False) -> Iterator[Measured]:
    """Measure a feed and yield an answer six times a second, and a last one at its end.

    Raises
    ------
    ImagingError
        When the source cannot be opened, the chart's layout is impossible, or no frame showed its star.
    """
    star = _layout(given.chart).centre_star
    has_star, is_black = False, True
    with Feed(source, transfer=given.transfer, signal_range=given.signal_range) as feed:
        meter = Meter(
            MeterSettings(
                spokes=star.spokes,
                pitch_um=given.pitch_um,
                fnumber=given.fnumber,
                first=None if given.first is None else First(given.first),
                levels=feed.facts.levels,
            )
        )
        shown_s = -LINE_S
        for frame in feed.frames(is_fast=is_fast):
            if frame.luma is None:
                answer = meter.stalled(frame.t_s)
            else:
                answer = meter.add(frame.t_s, frame.luma, dropped=frame.dropped)
                has_star = has_star or answer.centre_px is not None
                is_black = is_black and "black" in answer.notes
            if answer.t_s - shown_s >= LINE_S:
                shown_s = answer.t_s
                yield Measured(_line(answer))
        yield Measured(_line(meter.final()), is_last=True)
    if not has_star:
        raise ImagingError(_unseen(feed.name, star.spokes, is_black=is_black))


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


def _layout(path: Path) -> ChartLayout:
    try:
        return layout_from_json(json.loads(read_text(path)))
    except json.JSONDecodeError as error:
        raise ImagingError(
            f"{path.name}: no JSON at line {error.lineno}; give the chart's own chart.json."
        ) from error


def _line(answer: MeterAnswer) -> MeterLine:
    return MeterLine(
        t_s=answer.t_s,
        state=answer.state.value,
        offset_um=answer.offset_um,
        low_um=answer.low_um,
        high_um=answer.high_um,
        is_signed=answer.is_signed,
        sharpened=answer.sharpened,
        frames=answer.frames,
        dropped=answer.dropped,
        notes=answer.notes,
        contrast=answer.contrast,
    )
