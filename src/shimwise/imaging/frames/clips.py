"""Reads the luma of a clip's frames, each known by its number in order of time, counted from 0.

References
----------
.. [1] ITU-T H.273, *Coding-independent code points*, table 3: transfer characteristics.
.. [2] ISO/IEC 14496-12 (first box), RFC 8794 (EBML), SMPTE 377 (MXF partition
   key): first bytes of containers.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import av
import numpy as np
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from shimwise.imaging.frames.errors import FrameFileError
from shimwise.imaging.frames.folder import open_ordinary
from shimwise.imaging.frames.limits import MAX_CLIP_BYTES, MAX_FRAMES, check_size

TRANSFERS = {
    1: "Rec.709",
    4: "gamma 2.2",
    5: "gamma 2.8",
    6: "Rec.709",
    8: "linear",
    13: "sRGB",
    14: "Rec.709",
    15: "Rec.709",
    16: "PQ",
    18: "HLG",
}
"""Code point of the transfer characteristics -> curve's name; others are not read from the stream."""
RANGES = {1: "limited", 2: "full"}
BOXES = {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"}
MXF_KEY = bytes.fromhex("060e2b34020501010d010201")
UNSOUND = "the clip is damaged there or just before, so that this picture cannot be trusted"
STRICT = {"err_detect": "crccheck+bitstream+buffer+explode"}
SAFE_READING = {"enable_drefs": "0", "use_absolute_path": "0"}


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """Metadata of a clip; range and transfer are None if its stream has none.

    ``is_predicted``: frames are kept as what changes from others, as H.264 and H.265 do, not each by itself.
    """

    width_px: int
    height_px: int
    bits: int
    codec: str
    signal_range: str | None
    transfer: str | None
    times: tuple[int, ...]
    is_predicted: bool = False

    @property
    def frames(self) -> int:
        """Frames in the clip."""
        return len(self.times)


@dataclass(frozen=True, slots=True)
class LumaFrame:
    """A decoded frame: its number, and its luma codes, or None with what was wrong."""

    number: int
    luma: NDArray[np.generic] | None
    reason: str = ""


def is_clip(head: bytes) -> bool:
    """Return whether a file is, by its first bytes, a clip in MOV/MP4, Matroska, MXF or AVI."""
    return _container(head) is not None


def clip_facts(path: Path) -> ClipFacts:
    """Read a clip's size, bits, range, transfer and the times of its frames, without decoding.

    Raises
    ------
    FrameFileError
        When it is no clip that is read, is damaged, or its header has an absurd size.
    """
    with _opened(path) as stream:
        container = _demuxer(stream, path.name)
        try:
            with container:
                return _facts(container, path.name)
        except (OSError, av.error.FFmpegError, ValueError, OverflowError) as error:
            raise FrameFileError(path.name, _damaged(error)) from error


def read_luma(path: Path, facts: ClipFacts, wanted: frozenset[int]) -> Iterator[LumaFrame]:
    """Decode the wanted frames in order of time.

    A frame that is damaged comes without luma and with the reason; one that never comes is listed at the end.

    Raises
    ------
    FrameFileError
        When the clip cannot be opened any more.
    """
    number_at = {time: number for number, time in enumerate(facts.times)}
    seen: set[int] = set()
    with _opened(path) as stream, _demuxer(stream, path.name) as container:
        for frame, is_sound in _decoded(container):
            number = number_at.get(frame.pts if frame.pts is not None else -1)
            if number is None or number in seen or number not in wanted:
                continue
            seen.add(number)
            yield _luma_frame(frame, number, facts) if is_sound else LumaFrame(number, None, UNSOUND)
            if seen == wanted:
                return
    for number in sorted(wanted - seen):
        yield LumaFrame(number, None, "it cannot be decoded; the clip is damaged there")


def _opened(path: Path) -> BinaryIO:
    return open_ordinary(path, file=path.name, most_bytes=MAX_CLIP_BYTES)


def _container(head: bytes) -> str | None:
    if head[4:8] in BOXES:
        return "mov"
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return "matroska"
    if head[:12] == MXF_KEY[:12]:
        return "mxf"
    return "avi" if head[:4] == b"RIFF" and head[8:12] == b"AVI " else None


def _demuxer(stream: BinaryIO, file: str) -> av.container.InputContainer:
    """Open with the demuxer of the content's own kind, so that no file can make it open another."""
    kind = _container(stream.read(16))
    if kind is None:
        raise FrameFileError(
            file, "it is no clip in MOV, MP4, Matroska, MXF or AVI, or its beginning is damaged"
        )
    stream.seek(0)
    options = SAFE_READING if kind == "mov" else {}
    try:
        return av.open(stream, "r", format=kind, options=options)
    except (OSError, av.error.FFmpegError, ValueError) as error:  # OSError: a place that no file has
        raise FrameFileError(file, _damaged(error)) from error


def _facts(container: av.container.InputContainer, file: str) -> ClipFacts:
    stream = _video(container, file)
    context = stream.codec_context
    check_size(context.width, context.height, file=file)
    if context.format is None:
        raise FrameFileError(file, "the clip does not say how its pixels are stored; it is damaged")
    shown = {
        packet.pts: bool(packet.is_keyframe)
        for packet in container.demux(stream)
        if not packet.is_discard and packet.size > 0
    }
    times = sorted(time for time in shown if time is not None)
    if not 0 < len(times) <= MAX_FRAMES:
        raise FrameFileError(file, f"the clip has {len(times)} frames; from 1 to {MAX_FRAMES} are read")
    is_full = context.format.name.startswith("yuvj") or context.format.is_rgb
    return ClipFacts(
        width_px=context.width,
        height_px=context.height,
        bits=context.format.components[0].bits,
        codec=context.codec.name,
        signal_range="full" if is_full else RANGES.get(int(context.color_range)),
        transfer=TRANSFERS.get(int(context.color_trc)),
        times=tuple(times),
        is_predicted=not all(shown.values()),
    )


def _video(container: av.container.InputContainer, file: str) -> VideoStream:
    if not container.streams.video:
        raise FrameFileError(file, "the clip has no picture")
    stream = container.streams.video[0]
    if getattr(stream, "codec_context", None) is None:  # against its types, the library may give none
        raise FrameFileError(file, "how its picture is coded is not known here, or its header is damaged")
    return stream


def _decoded(container: av.container.InputContainer) -> Iterator[tuple[VideoFrame, bool]]:
    """Decode packet by packet, with, for each frame, whether it can be trusted.

    After damage every frame is doubtful until the next one that is coded by itself: decoders conceal what
    they miss, and hand on a plausible picture.
    """
    stream = container.streams.video[0]
    stream.thread_type = "AUTO"
    stream.codec_context.options = STRICT
    packets = iter(container.demux(stream))
    is_sound = True
    while True:
        try:
            packet = next(packets)
        except (StopIteration, OSError, av.error.FFmpegError):
            return
        try:
            for frame in packet.decode():
                is_sound = not frame.is_corrupt and (is_sound or bool(frame.key_frame))
                yield frame, is_sound
        except (OSError, av.error.FFmpegError):
            is_sound = False


def _luma_frame(frame: VideoFrame, number: int, facts: ClipFacts) -> LumaFrame:
    if (frame.width, frame.height) != (facts.width_px, facts.height_px):
        return LumaFrame(number, None, f"it is {frame.width} × {frame.height} px, unlike the clip")
    return LumaFrame(number, first_plane(frame))


def first_plane(frame: VideoFrame) -> NDArray[np.generic]:
    """Luma, or green of a clip in red, green and blue, as whole-number codes."""
    layout = frame.format
    deep = layout.components[0].bits > 8
    if layout.is_rgb and not layout.name.startswith("gbr"):
        frame = frame.reformat(format="gbrp16le" if deep else "gbrp")
    elif not (layout.is_rgb or layout.is_planar or layout.name.startswith("gray")) or layout.is_big_endian:
        frame = frame.reformat(format="yuv444p16le" if deep else "yuv444p")
    plane = frame.planes[0]
    bits = frame.format.components[0].bits
    kind: np.dtype[Any] = np.dtype("<u2") if bits > 8 else np.dtype(np.uint8)
    rows = np.frombuffer(memoryview(plane), kind).reshape(plane.height, plane.line_size // kind.itemsize)
    return np.array(rows[:, : plane.width] >> (bits - layout.components[0].bits))


def _damaged(error: Exception) -> str:
    words = getattr(error, "strerror", None) or error
    return f"the clip is damaged or ends early ({words}); copy the file again"
