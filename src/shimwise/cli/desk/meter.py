"""``shimwise meter``: a clip, device or stream, live, to how far the sensor is from best focus."""

import os
import select
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.meter import live as bench
from shimwise.cli.options import AsJson, FocalIfKnown, argument, distance_option, flag, option
from shimwise.cli.output import console, show, wrapped
from shimwise.errors import ImagingError

WAYS = {"a": "away", "t": "toward"}
WITHHELD = 1
"""Exit code when the end of a feed gives no microns."""
MORE = (
    "SOURCE is a clip, /dev/videoN, or a stream's address (rtsp, rtp, udp, tcp, srt); `devices` lists the "
    "cameras. In a terminal, at rest, a (away) or t (toward) and Enter name which way the sensor moves next. "
    "Ctrl-C ends a feed that goes on: its last answer is printed, and what --record keeps is finished. "
    "Exit code: 0 measured, 1 no microns can be given, 2 bad input."
)


def _first(text: str) -> str:
    if text not in {"away", "toward"}:
        raise typer.BadParameter(f"is no direction here: {text!r}; give away or toward.")
    return text


def meter(
    source: Annotated[str, argument("SOURCE", "The feed, or `devices`.")],
    *,
    chart: Annotated[
        Path | None, option("chart.json", "The chart's layout; its centre star is measured.")
    ] = None,
    fnumber: Annotated[float | None, option("N", "f-number as set; without it no microns.")] = None,
    pitch: Annotated[float | None, option("µm", "Pixel pitch; of a scaled picture, times the scale.")] = None,
    first: Annotated[
        str | None,
        option(
            "WAY",
            "First move: away (sensor from the lens, or ring to nearer marks) or toward.",
            parser=_first,
        ),
    ] = None,
    transfer: Annotated[
        str | None, option("CURVE", "Curve of the codes, if the feed does not state it.")
    ] = None,
    signal_range: Annotated[
        str | None, option("RANGE", "full or limited, if it does not state it.", "--range")
    ] = None,
    is_fast: Annotated[
        bool, flag("--fast", "A clip as fast as it can be measured, not in its own time.")
    ] = False,
    record: Annotated[
        Path | None, option("FOLDER", "Keep the frames there, as a sweep: for tilt and stars, no landing.")
    ] = None,
    has_stars: Annotated[bool, flag("--stars", "All stars of the chart, and the tilt between them.")] = False,
    is_anamorphic: Annotated[
        bool, flag("--anamorphic", "The axes of the lens apart: vertical less horizontal.")
    ] = False,
    focal: FocalIfKnown = None,
    distance: Annotated[
        float | None, distance_option("Where ring and chart stand: says what the ring adds.")
    ] = None,
    ring_error: Annotated[float, option("mm", "Spread of setting the ring, in object space at 3 ft.")] = 0.6,
    as_json: AsJson = False,
) -> None:
    """Measure a feed live: how far the sensor is from the sharpest place."""
    if source == "devices":
        found = bench.devices()
        show(
            [{"source": place, "name": name} for place, name in found],
            "\n".join(f"{place}  {name}" for place, name in found) or "No camera is connected.",
            as_json=as_json,
        )
        return
    if chart is None or pitch is None:
        missing = "--chart chart.json" if chart is None else "--pitch µm"
        raise ImagingError(f"The meter needs {missing}: which star it looks for, and how large a pixel is.")
    if signal_range not in {None, "full", "limited"}:
        raise ImagingError(f"--range {signal_range}: give full or limited.")
    given = bench.FeedGiven(
        chart=chart,
        pitch_um=pitch,
        fnumber=fnumber,
        first=first,
        transfer=transfer,
        signal_range=signal_range,
        record=record,
        focal_mm=focal,
        distance_mm=distance,
        setting_sd_mm=ring_error,
        has_stars=has_stars,
        has_axes=is_anamorphic,
    )
    named = _typed_way if sys.stdin.isatty() and sys.stdout.isatty() else lambda: None
    with ended_by_hand() as is_ended:
        answers = bench.measure_feed(source, given, is_fast=is_fast, named=named, is_ended=is_ended)
        last = _as_lines(answers) if as_json else _as_screen(answers)
    if last is not None and not last.has_microns:
        raise typer.Exit(WITHHELD)


@contextmanager
def ended_by_hand() -> Iterator[Callable[[], bool]]:
    """Let Ctrl-C end the feed and not the command, which has an answer to give; a second one ends both."""
    ended = threading.Event()

    def end(*_: object) -> None:
        if ended.is_set():
            raise KeyboardInterrupt
        ended.set()

    before = signal.signal(signal.SIGINT, end)
    if before is signal.SIG_IGN:  # of a command in the background, which Ctrl-C is not for
        signal.signal(signal.SIGINT, before)
    try:
        yield ended.is_set
    finally:
        signal.signal(signal.SIGINT, before)


def _typed_way() -> str | None:
    """Return the direction whose letter was typed, followed by Enter, since it was asked last."""
    try:
        is_typed = bool(select.select([sys.stdin], [], [], 0.0)[0])
    except (OSError, ValueError):  # where a terminal cannot be asked without waiting
        return None
    typed = os.read(sys.stdin.fileno(), 256).decode(errors="replace").split() if is_typed else []
    return WAYS.get(typed[-1][0].lower()) if typed else None


def _as_lines(answers: Iterable[bench.Answered]) -> bench.Answered | None:
    last = None
    for last in answers:
        show(last.document, "", as_json=True)
        sys.stdout.flush()
    return last


def _as_screen(answers: Iterable[bench.Answered]) -> bench.Answered | None:
    """Show one screen that changes; where nobody looks at a terminal, the last answer alone."""
    last = None
    if not sys.stdout.isatty():
        *_, last = answers
    else:
        from rich.live import Live

        terminal = console()
        is_ascii = not terminal.encoding.lower().startswith("utf")
        with Live(console=terminal, auto_refresh=False, transient=True) as shown:
            for last in answers:
                shown.update(bench.screen(last, is_ascii=is_ascii), refresh=True)
    if last is not None:
        typer.echo(wrapped("\n".join(last.sentences)))
    return last
