"""What a page sends of a frame: a small header and grey bytes, read and checked. See docs/guide/picture.md.

All numbers are little-endian. The header: ``SWF1``, flags (1: limited range, 2: the whole picture made
smaller), count of pictures, frames lost since the last message, time [µs], width and height of the camera's
picture [px]. Then for each picture: left and top in the camera's picture, columns and rows sent, how
many of the camera's pixels a side make one that was sent, the star's number. Then the grey bytes, row by row.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError

MAGIC = b"SWF1"
HEAD, PART = struct.Struct("<4sBBHQHH"), struct.Struct("<HHHHBB")
LIMITED, WHOLE = 1, 2
MOST_PARTS, MOST_SIDE_PX, LEAST_SIDE_PX, MOST_SHRINK = 5, 512, 16, 16
MOST_PER_S = 30
MOST_BYTES = HEAD.size + MOST_PARTS * (PART.size + MOST_SIDE_PX**2)


class FeedRefusedError(ImagingError):
    """Raised when what a page sends of a feed is not taken: its code, and a sentence for the person.

    Attributes
    ----------
    kind : str
        ``header``, ``size``, ``count``, ``rate``, ``picture``, ``told`` or ``busy``.
    """

    def __init__(self, kind: str, words: str) -> None:
        self.kind = kind
        super().__init__(words)


@dataclass(frozen=True, slots=True)
class SentPart:
    """One grey picture: its star, where it lies in the camera's picture [px], and how much smaller it is.

    ``codes``: (rows, columns), 8 bits; pixel (0, 0) covers the camera's from (left, top), ``shrink`` a side.
    """

    star: int
    left: int
    top: int
    shrink: int
    codes: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class SentFrame:
    """A frame as it was sent: its time [µs], frames lost before it, and its pictures.

    ``is_whole``: the only part is the whole picture, made smaller. ``is_limited``: codes 16 to 235.
    """

    t_us: int
    dropped: int
    width_px: int
    height_px: int
    is_limited: bool
    is_whole: bool
    parts: tuple[SentPart, ...]


def read_message(message: bytes) -> SentFrame:
    """Return the frame that a message holds.

    Raises
    ------
    FeedRefusedError
        When the header is none, more or larger pictures are sent than are taken, a picture does not lie in
        the camera's, or bytes are missing or left over.
    """
    if len(message) < HEAD.size or message[:4] != MAGIC:
        raise FeedRefusedError("header", "This is no frame as these pages send it. Load the page again.")
    _, flags, count, dropped, t_us, width, height = HEAD.unpack_from(message)
    if not 1 <= count <= MOST_PARTS:
        raise FeedRefusedError(
            "count", f"{count} pictures of a frame were sent; 1 to {MOST_PARTS} are taken."
        )
    if len(message) < HEAD.size + count * PART.size:
        raise FeedRefusedError("header", "The header of a frame is cut off. Load the page again.")
    at, parts, numbers = HEAD.size + count * PART.size, [], set()
    is_whole = bool(flags & WHOLE)
    for number in range(count):
        left, top, columns, rows, shrink, star = PART.unpack_from(message, HEAD.size + number * PART.size)
        _check_size(columns, rows)
        is_inside = left + columns * shrink <= width and top + rows * shrink <= height
        if star >= MOST_PARTS or star in numbers or not 1 <= shrink <= MOST_SHRINK:
            raise FeedRefusedError("header", "A picture's star or scale is impossible. Load the page again.")
        if not (is_inside or is_whole):
            raise FeedRefusedError(
                "picture", f"A picture lies outside the camera's of {width} × {height} px. Start over."
            )
        end = at + rows * columns
        if end > len(message):
            raise FeedRefusedError("header", "Bytes of a frame are missing. Load the page again.")
        codes = np.frombuffer(message, np.uint8, rows * columns, at).reshape(rows, columns)
        parts.append(SentPart(star, left, top, shrink, codes))
        numbers.add(star)
        at = end
    if at != len(message):
        raise FeedRefusedError("header", "A frame has more bytes than its header says. Load the page again.")
    return SentFrame(
        t_us=t_us,
        dropped=dropped,
        width_px=width,
        height_px=height,
        is_limited=bool(flags & LIMITED),
        is_whole=is_whole,
        parts=tuple(parts),
    )


def _check_size(columns: int, rows: int) -> None:
    if max(columns, rows) > MOST_SIDE_PX or min(columns, rows) < LEAST_SIDE_PX:
        raise FeedRefusedError(
            "size",
            f"A picture of {columns} × {rows} px was sent; {LEAST_SIDE_PX} to {MOST_SIDE_PX} px a side are "
            "taken.",
        )
