"""Codecs by PyAV: a run of pictures through an encoder and back, or into a file."""

import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Codec:
    """An encoder with its settings.

    Parameters
    ----------
    encoder, container, pixel_format
        Names of FFmpeg's encoder, container and pixel format.
    options
        Options of the encoder as pairs of name and value.
    bits
        Depth of the luma that comes back.
    """

    encoder: str
    container: str
    pixel_format: str
    options: tuple[tuple[str, str], ...] = ()
    bits: int = 8


CODECS = {
    "ProRes": Codec("prores_ks", "mov", "yuv422p10le", (("profile", "3"),), 10),
    "DNxHR": Codec("dnxhd", "mov", "yuv422p", (("profile", "dnxhr_hq"),)),
    "H.264 intra": Codec("libx264", "mp4", "yuv420p", (("g", "1"), ("crf", "16"), ("preset", "medium"))),
    "H.264 long groups": Codec("libx264", "mp4", "yuv420p", (("g", "50"), ("bf", "2"), ("crf", "26"))),
}


def write(
    target: Path | io.BytesIO, lumas: Iterable[NDArray[np.uint16]], codec: Codec, *, rate: int = 25
) -> None:
    """Encode limited-range luma codes of the codec's depth, with neutral chroma, marked as limited range."""
    output: Any = av.open(str(target) if isinstance(target, Path) else target, "w", format=codec.container)
    with output:
        stream: Any = None
        for index, luma in enumerate(lumas):
            if stream is None:
                stream = output.add_stream(codec.encoder, rate=rate, options=dict(codec.options))
                stream.height, stream.width = luma.shape
                stream.pix_fmt = codec.pixel_format
                stream.codec_context.color_range = 1
                stream.codec_context.thread_count = 1
            frame = _frame(luma, codec)
            frame.pts, frame.time_base = index, Fraction(1, rate)
            output.mux(stream.encode(frame))
        if stream is not None:
            output.mux(stream.encode(None))


def read(source: Path | io.BytesIO) -> Iterator[NDArray[np.uint16]]:
    """Decode a clip's luma codes, shape (height, width)."""
    opened: Any = av.open(str(source) if isinstance(source, Path) else source)
    with opened as container:
        for frame in container.decode(video=0):
            plane = frame.planes[0]
            kind = np.uint16 if frame.format.components[0].bits > 8 else np.uint8
            rows = np.frombuffer(plane, dtype=kind).reshape(plane.height, -1)
            yield np.asarray(rows[:, : plane.width], dtype=np.uint16)


def through(lumas: Iterable[NDArray[np.uint16]], name: str) -> list[NDArray[np.uint16]]:
    """Send luma codes through a codec and back."""
    codec, held = CODECS[name], io.BytesIO()
    write(held, lumas, codec)
    held.seek(0)
    return list(read(held))


def write_y4m(path: Path, lumas: Iterable[NDArray[np.uint8]], *, rate: int = 25) -> None:
    """Write 8-bit luma as uncompressed YUV4MPEG2 4:2:0 with neutral chroma."""
    with path.open("wb") as out:
        is_first = True
        for luma in lumas:
            height, width = luma.shape
            if is_first:
                out.write(
                    f"YUV4MPEG2 W{width} H{height} F{rate}:1 Ip A1:1 C420jpeg XCOLORRANGE=LIMITED\n".encode()
                )
                is_first = False
            out.write(b"FRAME\n")
            out.write(np.ascontiguousarray(luma, dtype=np.uint8).tobytes())
            out.write(b"\x80" * (2 * ((height + 1) // 2) * ((width + 1) // 2)))


def limited(signal: NDArray[np.float32], bits: int) -> NDArray[np.uint16]:
    """Return limited-range luma codes of a signal 0 to 1: 16 to 235 at 8 bits (Rec. ITU-R BT.709)."""
    scale = 2 ** (bits - 8)
    return np.asarray(np.rint(np.clip(16 + 219 * signal, 1, 254) * scale), dtype=np.uint16)


def full(codes: NDArray[np.uint16], bits: int) -> NDArray[np.float32]:
    """Return the signal of limited-range luma codes."""
    return ((codes.astype(np.float32) / np.float32(2 ** (bits - 8))) - 16) / np.float32(219)


def _frame(luma: NDArray[np.uint16], codec: Codec) -> av.VideoFrame:
    frame = av.VideoFrame(luma.shape[1], luma.shape[0], codec.pixel_format)
    kind = np.uint16 if codec.bits > 8 else np.uint8
    for index, plane in enumerate(frame.planes):
        rows = np.full(
            (plane.height, plane.line_size // np.dtype(kind).itemsize), 2 ** (codec.bits - 1), kind
        )
        if index == 0:
            rows[:, : plane.width] = luma
        plane.update(rows.tobytes())
    frame.color_range = 1
    return frame
