"""Real files, written by real encoders that are not ours."""

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

Codes = NDArray[Any]
WIDTH, HEIGHT = 96, 64


def picture(bits: int = 16, *, seed: int = 0, width: int = WIDTH, height: int = HEIGHT) -> Codes:
    """Smooth invented codes that fill the range."""
    noise = np.random.default_rng(seed).normal(size=(height, width))
    smooth = cv2.GaussianBlur(noise, (0, 0), 3)
    unit = (smooth - smooth.min()) / np.ptp(smooth)
    return np.round(unit * (2**bits - 1)).astype(np.uint8 if bits == 8 else np.uint16)


def png(codes: Codes) -> bytes:
    """PNG by libpng through OpenCV; colours in the order blue, green, red."""
    return bytes(cv2.imencode(".png", codes)[1])


def jpeg(codes: Codes, quality: int = 95) -> bytes:
    """JPEG by libjpeg through OpenCV."""
    return bytes(cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, quality])[1])


def tiff(codes: Codes, **options: Any) -> bytes:  # noqa: ANN401 (the writer's own options)
    """TIFF by tifffile."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, codes, metadata=None, **options)
    return stream.getvalue()


def lzw_tiff(codes: Codes) -> bytes:
    """TIFF with LZW by libtiff through OpenCV."""
    return bytes(cv2.imencode(".tiff", codes, [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1])


def dng(
    codes: Codes, *, pattern: Sequence[int] = (0, 1, 1, 2), black: int = 512, white: int = 16000
) -> bytes:
    """A small raw file of an invented camera: the tags that the DNG specification asks for."""
    matrix = [n for value in (1, 0, 0, 0, 1, 0, 0, 0, 1) for n in (value * 10000, 10000)]
    tags = [
        (271, "s", 0, "Invented", True),
        (272, "s", 0, "Camera", True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, tuple(pattern), True),
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50708, "s", 0, "Invented camera", True),
        (50714, "H", 1, (black,), True),
        (50717, "H", 1, (white,), True),
        (50721, "2i", 9, tuple(matrix), True),
    ]
    return tiff(codes, photometric=32803, extratags=tags)


def exr(channels: dict[str, NDArray[Any]], *, compression: str = "ZIP_COMPRESSION") -> bytes:
    """EXR by the format's own library."""
    import OpenEXR

    header = {"compression": getattr(OpenEXR, compression), "type": OpenEXR.scanlineimage}
    stream = io.BytesIO()
    OpenEXR.File(header, dict(channels)).write(stream)
    return stream.getvalue()


CODECS = {
    "h264": ("mp4", "libx264", "yuv420p", {"crf": "4"}),
    "h264-10": ("mp4", "libx264", "yuv420p10le", {"crf": "4"}),
    "h265": ("mp4", "libx265", "yuv420p", {"crf": "4", "x265-params": "log-level=none"}),
    "h265-10": ("mkv", "libx265", "yuv420p10le", {"crf": "4", "x265-params": "log-level=none"}),
    "prores": ("mov", "prores_ks", "yuv422p10le", {"profile": "3"}),
    "prores-4444": ("mov", "prores_ks", "yuv444p10le", {"profile": "4"}),
    "dnxhr-8": ("mov", "dnxhd", "yuv422p", {"profile": "dnxhr_hq"}),
    "dnxhr-10": ("mxf", "dnxhd", "yuv422p10le", {"profile": "dnxhr_hqx"}),
}


def clip(
    folder: Path,
    lumas: Sequence[Codes],
    codec: str,
    *,
    color_range: int = 1,
    transfer: int = 1,
    options: dict[str, str] | None = None,
) -> Path:
    """Encode luma codes as a clip by FFmpeg's encoders; range and transfer by their numbers in H.273."""
    suffix, encoder, pixels, defaults = CODECS[codec]
    deep = pixels.endswith("10le")
    path = folder / f"clip.{suffix}"
    height, width = lumas[0].shape
    with av.open(str(path), "w") as out:
        stream = out.add_stream(encoder, rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, pixels
        stream.options = {**defaults, **(options or {})}
        stream.codec_context.color_range, stream.codec_context.color_trc = color_range, transfer
        for number, luma in enumerate(lumas):
            frame = av.VideoFrame(width, height, pixels)
            for place, plane in enumerate(frame.planes):
                codes = np.frombuffer(plane, np.uint16 if deep else np.uint8)
                rows = codes.reshape(plane.height, -1)
                rows[:] = 512 if deep else 128
                if place == 0:
                    rows[:, :width] = luma
            frame.pts = number
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path
