"""One take: a feed of a cell through the meter, and what it answered at the end."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.worlds.frames.feed_cells import FEEDS, FeedCell
from shimwise.imaging.frames.levels import CodeLevels
from shimwise.imaging.meter.meter import First, Meter, MeterSettings

LEVELS = CodeLevels(black=16, white=235, transfer="Rec.709", bits=8, is_limited=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """What the meter said at the end of a feed, beside the truth [µm]; infinities where it gave none."""

    cell: str
    rest_um: float
    seed: int
    state: str
    offset_um: float
    low_um: float
    high_um: float
    is_signed: bool
    sharpened: bool
    notes: tuple[str, ...]
    cpu_ms: float
    axes_error_um: float = math.inf

    @property
    def has_microns(self) -> bool:
        """Whether there was a figure."""
        return math.isfinite(self.offset_um)

    @property
    def size_error_um(self) -> float:
        """Error of the size."""
        return abs(self.offset_um) - abs(self.rest_um)

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth: its size where no side was given."""
        truth = self.rest_um if self.is_signed or self.low_um < 0.0 < self.high_um else abs(self.rest_um)
        return self.low_um <= truth <= self.high_um

    @property
    def is_side_wrong(self) -> bool:
        """Whether a side was given, and the wrong one."""
        return self.is_signed and self.offset_um * self.rest_um < 0.0


def feed_of(cell: FeedCell, rest_um: float, *, seed: int, kept: Path | None) -> dict[str, np.ndarray]:
    """Return luma, times and lost frames of a feed, made or read from a folder in which feeds are kept."""
    name = "".join(letter if letter.isalnum() else "-" for letter in cell.name)
    path = None if kept is None else kept / f"{name}.{cell.feed.crop_px}.{seed}.npz"
    if path is not None and path.exists():
        return dict(np.load(path))
    frames = list(cell.frames(rest_um, seed=seed))
    feed = {
        "luma": np.stack([frame.luma for frame in frames]),
        "t_s": np.array([frame.t_s for frame in frames]),
        "dropped": np.array([frame.dropped for frame in frames]),
    }
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        np.savez(path, **feed)
    return feed


def take(name: str, rest_um: float, *, seed: int, is_small: bool = False, kept: Path | None = None) -> Take:
    """Make the feed of a cell that comes to rest at a place, and measure it; small: a star of .6 the size."""
    cell = FEEDS[name].smaller() if is_small else FEEDS[name]
    split_um = cell.feed.lens.axis_split_um
    meter = Meter(
        MeterSettings(
            spokes=cell.feed.chart.stars[0].spokes,
            pitch_um=cell.feed.pitch_um,
            levels=LEVELS,
            fnumber=cell.feed.lens.fnumber,
            first=First.AWAY,
            has_axes=split_um != 0.0,
        )
    )
    feed = feed_of(cell, rest_um, seed=seed, kept=kept)
    began, count = 0.0, feed["t_s"].size
    for number, (t_s, luma, dropped) in enumerate(
        zip(feed["t_s"], feed["luma"], feed["dropped"], strict=True)
    ):
        if number == 1:  # the first frame compiles, locks and makes the law's table
            began = time.process_time()
        meter.add(float(t_s), luma, dropped=int(dropped))
    cpu_ms = 1e3 * (time.process_time() - began) / (count - 1)
    said = meter.final()
    offset, low, high = (
        math.inf if value is None else value for value in (said.offset_um, said.low_um, said.high_um)
    )
    return Take(
        cell=name,
        rest_um=rest_um,
        seed=seed,
        state=said.state.value,
        offset_um=offset,
        low_um=low,
        high_um=high,
        is_signed=said.is_signed,
        sharpened=said.sharpened,
        notes=said.notes,
        cpu_ms=cpu_ms,
        axes_error_um=math.inf if said.axes_um is None else said.axes_um - split_um,
    )


def rest_of(name: str, seed: int) -> float:
    """Return the place of rest of a seed: 0, then the cell's sizes in turn, on either side."""
    sizes = (0.0, *FEEDS[name].rests_um)
    sign = 1.0 if (seed // len(sizes)) % 2 == seed % 2 else -1.0
    return sign * sizes[seed % len(sizes)] + 0.0


def rms(values: list[float]) -> float:
    """Return the root mean square, NaN of none."""
    return float(np.sqrt(np.mean(np.square(values)))) if values else math.nan
