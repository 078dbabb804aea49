"""Frames of a feed as they come: a clip played as it was recorded, a device (V4L2) or a stream."""

from __future__ import annotations

import queue
import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
from numpy.typing import NDArray

from shimwise.imaging.frames.clips import RANGES, SAFE_READING, TRANSFERS, first_plane, is_clip
from shimwise.imaging.frames.errors import FrameFileError
from shimwise.imaging.frames.folder import open_ordinary
from shimwise.imaging.frames.levels import CodeLevels, limited_range
from shimwise.imaging.frames.limits import MAX_CLIP_BYTES, check_size

SCHEMES = ("rtsp", "rtsps", "rtp", "udp", "tcp", "srt")
"""Streams that are opened; nothing else in a name makes the machine reach out."""
DEVICE = re.compile(r"/dev/video[0-9]{1,3}")
TRANSPORT_SYNC = 0x47
"""First byte of an MPEG transport stream, and every 188 bytes on (ISO/IEC 13818-1)."""
OPEN_S = 10.0
"""Patience with a device or a stream that sends nothing."""
PROBE_US = "1000000"
"""So long a stream is looked at before its first frame is handed on, µs."""
STALL_S = 0.5
USUAL_CURVE = "Rec.709"
MOST_GAP = 250
"""Most missing frames of a gap in the times; a longer one is a pause."""


@dataclass(frozen=True, slots=True)
class FeedFrame:
    """A frame: its time from the first [s], its luma codes (None: nothing came), how many were lost."""

    t_s: float
    luma: NDArray[Any] | None
    dropped: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedFacts:
    """Size of a feed's picture [px], bits of a code, and what a code means; ``is_live``: device or stream."""

    width_px: int
    height_px: int
    levels: CodeLevels
    is_live: bool


class Feed:
    """An open feed; use it in a ``with`` statement.

    Parameters
    ----------
    source : str
        A file, ``/dev/videoN``, or the address of a stream (rtsp, rtp, udp, tcp, srt).
    transfer, signal_range : str, optional
        Curve and range, where the feed does not state them or is wrong: Rec.709 and limited otherwise.

    Raises
    ------
    FrameFileError
        When there is none, it has no picture, or a picture of a size that no camera makes.
    """

    def __init__(self, source: str, *, transfer: str | None = None, signal_range: str | None = None) -> None:
        self.name = Path(source).name if "://" not in source else source.rpartition("@")[2]
        self._open = ExitStack()
        self.is_live = "://" in source or DEVICE.fullmatch(source) is not None
        try:
            with ExitStack() as opened:
                self._container = opened.enter_context(self._opened(source, opened))
                if not self._container.streams.video:
                    raise FrameFileError(self.name, "it has no picture; give a clip, a camera or a stream")
                self._stream = self._container.streams.video[0]
                self._stream.thread_type = "SLICE" if self.is_live else "AUTO"
                self.facts = self._facts(transfer, signal_range)
                self._open = opened.pop_all()
        except (av.error.FFmpegError, ValueError, OSError) as error:
            raise FrameFileError(self.name, _failure(error)) from error

    def __enter__(self) -> Feed:
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def frames(self, *, is_fast: bool = False) -> Iterator[FeedFrame]:
        """Yield the frames; of a file at their times, or as fast as they are taken.

        Of a live feed only the newest is kept while one is measured, the others count as dropped. Where
        nothing comes for half a second, a frame without luma is returned.
        """
        if self.is_live:
            yield from self._newest()
            return
        start = time.monotonic()
        for frame in self._decoded():
            if not is_fast:
                time.sleep(max(0.0, start + frame.t_s - time.monotonic()))
            yield frame

    def _opened(self, source: str, opened: ExitStack) -> Any:  # noqa: ANN401 - the library's own class
        if "://" in source:
            if source.partition("://")[0].lower() not in SCHEMES:
                raise FrameFileError(self.name, f"such an address is not opened; give {', '.join(SCHEMES)}")
            return av.open(source, "r", timeout=OPEN_S, options={"analyzeduration": PROBE_US})
        if DEVICE.fullmatch(source):
            return av.open(source, "r", format="v4l2", timeout=OPEN_S)
        path = Path(source)
        stream = opened.enter_context(
            open_ordinary(path, file=path.name or str(path), most_bytes=MAX_CLIP_BYTES)
        )
        head = stream.read(189)
        stream.seek(0)
        if len(head) > 188 and head[0] == head[188] == TRANSPORT_SYNC:
            return av.open(stream, "r", format="mpegts")
        if not is_clip(head):
            raise FrameFileError(
                path.name, "it has no video that is read: a clip in MOV, MP4, Matroska, MXF, AVI or MPEG-TS"
            )
        return av.open(stream, "r", options=SAFE_READING if is_clip(head) and head[4:8] == b"ftyp" else {})

    def _facts(self, transfer: str | None, signal_range: str | None) -> FeedFacts:
        context = self._stream.codec_context
        check_size(context.width, context.height, file=self.name)
        form = context.format
        if form is None:
            raise FrameFileError(self.name, "it does not say how its pixels are stored")
        bits = form.components[0].bits
        is_full = form.name.startswith("yuvj") or form.is_rgb
        stated = "full" if is_full else RANGES.get(int(context.color_range))
        is_limited = (signal_range or stated or "limited") == "limited"
        black, white = limited_range(bits) if is_limited else (0.0, 2.0**bits - 1.0)
        curve = transfer or TRANSFERS.get(int(context.color_trc)) or USUAL_CURVE
        levels = CodeLevels(black=black, white=white, transfer=curve, bits=bits, is_limited=is_limited)
        return FeedFacts(
            width_px=context.width, height_px=context.height, levels=levels, is_live=self.is_live
        )

    def _decoded(self) -> Iterator[FeedFrame]:
        """Decode in order; times rise, and gaps in them count as dropped frames."""
        rate = self._stream.average_rate or self._stream.base_rate or 25
        step_s, first, last = 1.0 / float(rate), None, None
        try:
            for number, frame in enumerate(self._container.decode(self._stream)):
                if (frame.width, frame.height) != (self.facts.width_px, self.facts.height_px):
                    raise FrameFileError(
                        self.name, f"its picture changes to {frame.width} × {frame.height} px; start again"
                    )
                now = float(frame.time) if frame.time is not None else number * step_s
                first = now if first is None else first
                missed = 0 if last is None else round((now - last) / step_s) - 1
                yield FeedFrame(now - first, first_plane(frame), missed if 0 < missed < MOST_GAP else 0)
                last = now
        except (av.error.FFmpegError, ValueError) as error:
            if not isinstance(error, av.error.EOFError):
                raise FrameFileError(self.name, _failure(error)) from error

    def _newest(self) -> Iterator[FeedFrame]:
        """Decode in a thread of its own, and hand on what is newest."""
        waiting: queue.Queue[FeedFrame | Exception | None] = queue.Queue(maxsize=2)
        leaving = threading.Event()
        thread = threading.Thread(target=self._pump, args=(waiting, leaving.is_set), daemon=True)
        thread.start()
        last_s, began = 0.0, time.monotonic()
        try:
            while True:
                try:
                    item = waiting.get(timeout=STALL_S)
                except queue.Empty:
                    yield FeedFrame(max(time.monotonic() - began, last_s), None)
                    continue
                if item is None:
                    return
                if isinstance(item, Exception):
                    raise item
                last_s = item.t_s
                yield item
        finally:
            leaving.set()
            thread.join(timeout=2.0)

    def _pump(self, waiting: queue.Queue[FeedFrame | Exception | None], is_left: Callable[[], bool]) -> None:
        lost = 0
        try:
            for frame in self._decoded():
                if is_left():
                    return
                lost += frame.dropped
                try:
                    waiting.put_nowait(FeedFrame(frame.t_s, frame.luma, lost))
                    lost = 0
                except queue.Full:
                    lost += 1
            waiting.put(None, timeout=OPEN_S)
        except (FrameFileError, queue.Full) as error:
            if not is_left():
                waiting.put(error)


def _failure(error: Exception) -> str:
    words = getattr(error, "strerror", None) or str(error)
    return f"it cannot be opened or read on ({words}); check that it is there and that nothing else uses it"


def devices() -> list[tuple[str, str]]:
    """Return the cameras of this machine: their place and their name."""
    found = []
    for place in sorted(Path("/sys/class/video4linux").glob("video*")):
        try:
            name = (place / "name").read_text(encoding="utf-8", errors="replace").strip()
        except OSError:
            name = ""
        found.append((f"/dev/{place.name}", name))
    return found
