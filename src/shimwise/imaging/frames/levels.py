"""Turns the codes of a picture into linear light: black subtracted, white scaled to 1, the curve undone."""

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import FloatArray, Picture
from shimwise.imaging.frames.curves import signal_to_linear
from shimwise.imaging.frames.errors import DescriptionError

MOST = 1e30
"""Light beyond which a code far above white, on a log curve, is not distinguished."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeLevels:
    """What a code means.

    Attributes
    ----------
    black, white : float
        Codes of the signals 0 and 1, as stored.
    transfer : str
        Curve's name, see :func:`shimwise.imaging.frames.curves.signal_to_linear`.
    bits : int
        Bits of a code.
    is_limited : bool
        True when black and white are those of the limited range of video.
    has_ends : bool
        False if it is unknown where the recording clips, as with floats without a white level.
    """

    black: float
    white: float
    transfer: str = "linear"
    bits: int = 16
    is_limited: bool = False
    has_ends: bool = True

    def __post_init__(self) -> None:
        if not (math.isfinite(self.black) and math.isfinite(self.white) and self.black < self.white):
            raise DescriptionError(
                f"The black level {self.black:g} must lie below the white level {self.white:g}, "
                "in the codes of the file."
            )

    @property
    def white_linear(self) -> float:
        """Linear value from which a pixel is taken as clipped to white; infinite when that is not known."""
        if not self.has_ends:
            return math.inf
        return float(self._linear(np.array([self.white]))[0])

    @property
    def black_linear(self) -> float:
        """Linear value of the lowest code there is, where black is clipped; minus infinite when not known."""
        if not self.has_ends:
            return -math.inf
        return float(self._linear(np.array([min(0.0, self.black)]))[0])

    def _linear(self, codes: FloatArray) -> FloatArray:
        signal = (codes - self.black) / (self.white - self.black)
        return signal_to_linear(signal, self.transfer, bits=self.bits, is_limited=self.is_limited)


def limited_range(bits: int) -> tuple[float, float]:
    """Codes of black and white luma in the limited range (ITU-R BT.709-6, item 4: 16 and 235 in 8 bits)."""
    return 16.0 * 2 ** (bits - 8), 235.0 * 2 ** (bits - 8)


def codes_to_linear(codes: NDArray[np.generic], levels: CodeLevels) -> Picture:
    """Turn codes into linear light.

    Parameters
    ----------
    codes : ndarray
        8- or 16-bit unsigned whole numbers, or floats, any shape.
    levels : CodeLevels
        What they mean.

    Returns
    -------
    ndarray
        float32 of the same shape. Values below black stay negative where the curve allows.

    Raises
    ------
    DescriptionError
        When the curve has no finite, rising light over the codes from black to white.
    """
    if codes.dtype.kind == "f":
        if levels.transfer == "linear":
            gain = np.float32(1 / (levels.white - levels.black))
            return (codes.astype(np.float32) - np.float32(levels.black)) * gain
        return levels._linear(codes.astype(np.float64)).astype(np.float32)
    table = _table(levels, codes.dtype.itemsize)
    return np.asarray(cv2.LUT(np.ascontiguousarray(codes), table), dtype=np.float32)


@lru_cache(maxsize=16)
def _table(levels: CodeLevels, code_bytes: int) -> Picture:
    """Linear light of every code."""
    codes = np.arange(256**code_bytes, dtype=np.float64)
    table = levels._linear(codes)
    between = table[(codes >= levels.black) & (codes <= levels.white)]
    if between.size < 2 or not np.isfinite(between).all() or not (np.diff(between) >= 0).all():
        raise DescriptionError(
            f"The curve {levels.transfer!r} gives no rising light from the codes {levels.black:g} to "
            f"{levels.white:g}; "
            "check transfer, black level, white level and range."
        )
    whole = np.where(np.isfinite(table), table, np.where(codes < levels.black, between[0], between[-1]))
    return np.clip(whole, -MOST, MOST).astype(np.float32)
