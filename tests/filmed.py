"""A camera's picture of a star while a hand turns, made apart from the meter, and a page that films it."""

import struct
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import takewhile
from pathlib import Path
from typing import Any

import numpy as np

from once_in_a_run import once_in_a_run

ROOT = Path(__file__).parents[1]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

__all__ = [
    "HEIGHT",
    "PITCH_UM",
    "REST_UM",
    "WIDTH",
    "FilmingPage",
    "Frame",
    "filmed",
    "message",
    "stepped",
    "write_y4m",
]

WIDTH, HEIGHT, RATE = 480, 360, 25
REST_UM, PITCH_UM, FNUMBER = -12.0, 6.0, 2.0
RESTS = 20
MARK_PX = 24
"""Pictures of the rest that are made."""


@dataclass(frozen=True)
class Frame:
    """A picture: its time [s] and its luma codes of the limited range, (rows, columns)."""

    t_s: float
    luma: np.ndarray


@cache
def filmed(
    *, rest_um: float = REST_UM, rest_s: float = 3.0, hold_s: float = 1.0, is_loop: bool = False
) -> tuple[Frame, ...]:
    """Give a pass through the sharpest place and back, first away from the lens, that ends at rest.

    A loop goes on from the rest to where it began, so that it can be played again and again.
    """
    taken = once_in_a_run(_taken, rest_um)
    made = [frame.luma for frame in taken]
    random = np.random.default_rng(5)
    # Held at the start: the first picture again and again, each with its own noise. The rest goes on with its
    # own pictures, never the same twice in a row.
    held = [
        made[0] + random.integers(0, 2, made[0].shape, dtype=np.uint8) for _ in range(round(hold_s * RATE))
    ]
    rest = [made[-1 - k % RESTS] for k in range(round(rest_s * RATE) - RESTS)]
    back = [frame.luma for frame in takewhile(lambda frame: frame.z_um < rest_um, taken)][::-1]
    whole = [*held, *made, *rest, *(back if is_loop else [])]
    return tuple(Frame(k / RATE, _framed(luma, random)) for k, luma in enumerate(whole))


def _taken(rest_um: float) -> "list[Any]":
    """Render the pass through the sharpest place and the rest, which takes a second and a half."""
    from benchmarks.worlds.frames.feed import Motion
    from benchmarks.worlds.frames.feed_cells import FEEDS

    feed = FEEDS["plain f/2"].smaller().feed
    motion = Motion(turns_um=(-38.0, 30.0), leg_s=1.3, rest_um=rest_um, rest_s=RESTS / RATE)
    return list(replace(feed, motion=motion).frames(seed=7))


def _framed(star: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Put a star's square into a larger picture of the same paper, with its own noise and off the middle."""
    paper = int(np.median(star[:4]))
    whole = np.clip(random.normal(paper, 1.0, (HEIGHT, WIDTH)), 16, 235).round().astype(np.uint8)
    top, left = 40, 130
    whole[top : top + star.shape[0], left : left + star.shape[1]] = star
    return whole


def message(
    frame: Frame,
    windows: list[list[int]] | str,
    *,
    dropped: int = 0,
    size: tuple[int, int] = (WIDTH, HEIGHT),
    magic: bytes = b"SWF1",
) -> bytes:
    """Write a frame as a page does: the parts that are wanted, or the whole picture."""
    rows, columns = frame.luma.shape
    is_whole = isinstance(windows, str)
    less = -(-max(rows, columns) // 512)
    parts = [[0, 0, 0, columns // less, rows // less, less]] if isinstance(windows, str) else windows
    head = struct.pack(
        "<4sBBHQHH", magic, 1 | 2 * is_whole, len(parts), dropped, round(1e6 * frame.t_s), *size
    )
    heads, codes = b"", b""
    for star, left, top, wide, high, scale in parts:
        heads += struct.pack("<HHHHBB", left, top, wide, high, scale, star)
        part = frame.luma[top : top + high * scale, left : left + wide * scale]
        codes += part.reshape(high, scale, wide, scale).mean(axis=(1, 3)).round().astype(np.uint8).tobytes()
    return head + heads + codes


class FilmingPage:
    """Sends frames as the page's script does, to whatever measures them; keeps the last answer."""

    def __init__(self, measure: Any) -> None:  # noqa: ANN401  # bytes to a document
        self.measure = measure
        self.answer: dict[str, Any] = {"want": "whole"}

    def film(self, frames: tuple[Frame, ...] | list[Frame], **how: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401
        """Send frames and yield the answers."""
        for frame in frames:
            self.answer = self.measure(message(frame, self.answer["want"], **how))
            yield self.answer


def write_y4m(path: Path, frames: tuple[Frame, ...], *, rate_hz: float = RATE) -> None:
    """Write frames as a file that Chromium's fake camera plays, so many a second: 4:2:0, grey."""
    rows, columns = frames[0].luma.shape
    grey = bytes([128]) * (rows * columns // 2)
    with path.open("wb") as file:
        file.write(f"YUV4MPEG2 W{columns} H{rows} F{round(1000 * rate_hz)}:1000 Ip A1:1 C420mpeg2\n".encode())
        for frame in frames:
            file.write(b"FRAME\n" + frame.luma.tobytes() + grey)


@cache
def stepped(places_um: tuple[float, ...], *, held_s: float) -> tuple[Frame, ...]:
    """Give a feed that rests at one place after the other; a square at its top left brightens with each.

    Square k has the code 40 + 15 k, so that its page can tell the place.
    """
    from benchmarks.worlds.frames.feed import Motion
    from benchmarks.worlds.frames.feed_cells import FEEDS

    feed, random, whole = FEEDS["plain f/2"].smaller().feed, np.random.default_rng(9), []
    for number, place_um in enumerate(places_um):
        motion = Motion(turns_um=(), rest_um=place_um, rest_s=RESTS / RATE)
        made = [frame.luma for frame in replace(feed, motion=motion).frames(seed=11)][:RESTS]
        for k in range(round(held_s * RATE)):
            luma = _framed(made[k % RESTS], random)
            luma[:MARK_PX, :MARK_PX] = 40 + 15 * number
            whole.append(luma)
    return tuple(Frame(k / RATE, luma) for k, luma in enumerate(whole))
