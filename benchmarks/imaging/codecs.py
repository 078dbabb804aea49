"""What recording does to linear frames: the green of a colour mosaic, 8-bit gamma, 10-bit log, an H.264 clip.

Every function takes linear float32 frames (black 0, full scale 1) and returns what a reader that knows the
curve gets back: linear float32 again.

References
----------
.. [1] SMPTE/Academy S-2016-001, ACEScct, a logarithmic encoding of ACES data (constants from memory).
.. [2] ITU-T H.264, encoded here by libx264 through PyAV at constant rate factor 18, yuv420p, full range told.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import av
import numpy as np
from numpy.typing import NDArray

__all__ = ["bayer_green", "gamma_8_bit", "h264_clip", "log_10_bit"]

Picture = NDArray[np.float32]

GAMMA = 2.2
LOG_GAIN = 8.0
"""Linear full scale stands this far above scene 1.0 before the log curve."""


def bayer_green(frames: Sequence[Picture]) -> list[Picture]:
    """Keep the green sites of an RGGB mosaic, where column + row is odd; NaN elsewhere, nothing filled in."""
    row, column = np.ogrid[: frames[0].shape[0], : frames[0].shape[1]]
    green = (row + column) % 2 == 1
    return [np.where(green, frame, np.float32(np.nan)) for frame in frames]


def gamma_8_bit(frames: Sequence[Picture]) -> list[Picture]:
    """Code by a power of 1/2.2 in 8 bits, and undo it."""
    return [_from_gamma(_to_gamma(frame, 255), 255) for frame in frames]


def log_10_bit(frames: Sequence[Picture]) -> list[Picture]:
    """Code by the ACEScct curve in 10 bits, and undo it."""
    return [_from_log((np.round(1023 * _to_log(frame)) / 1023).astype(np.float32)) for frame in frames]


def h264_clip(frames: Sequence[Picture], *, rate_factor: int = 18) -> list[Picture]:
    """Code as an 8-bit gamma H.264 clip in memory, decode its luma, undo the gamma."""
    codes = [_to_gamma(frame, 255).astype(np.uint8) for frame in frames]
    height, width = codes[0].shape
    store = io.BytesIO()
    with av.open(store, "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuvj420p"
        stream.options = {"crf": str(rate_factor), "preset": "veryfast"}
        for code in codes:
            for packet in stream.encode(_grey_frame(code)):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    store.seek(0)
    with av.open(store, "r") as clip:
        lumas = [_luma(frame) for frame in clip.decode(video=0)]
    return [_from_gamma(luma.astype(np.float32), 255) for luma in lumas]


def _grey_frame(code: NDArray[np.uint8]) -> av.VideoFrame:
    grey = np.full((code.shape[0] * 3 // 2, code.shape[1]), 128, dtype=np.uint8)
    grey[: code.shape[0]] = code
    return av.VideoFrame.from_ndarray(grey, format="yuvj420p")


def _luma(frame: av.VideoFrame) -> NDArray[np.uint8]:
    plane = frame.planes[0]
    whole = np.frombuffer(bytes(plane), np.uint8).reshape(plane.height, plane.line_size)
    return np.asarray(whole[:, : plane.width])


def _to_gamma(frame: Picture, top: int) -> NDArray[np.float32]:
    return np.round(top * np.clip(frame, 0.0, 1.0) ** np.float32(1 / GAMMA))


def _from_gamma(code: NDArray[np.float32], top: int) -> Picture:
    return (code / np.float32(top)) ** np.float32(GAMMA)


def _to_log(frame: Picture) -> NDArray[np.float32]:
    scene = LOG_GAIN * frame
    toe = 10.5402377416545 * scene + 0.0729055341958355
    return np.where(scene <= 0.0078125, toe, (np.log2(np.maximum(scene, 1e-6)) + 9.72) / 17.52)


def _from_log(code: NDArray[np.float32]) -> Picture:
    toe = (code - 0.0729055341958355) / 10.5402377416545
    return (np.where(code <= 0.155251141552511, toe, 2.0 ** (code * 17.52 - 9.72)) / LOG_GAIN).astype(
        np.float32
    )
