"""Feeds by name: one cell for each goal of the live meter."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from benchmarks.worlds.frames.camera import Camera
from benchmarks.worlds.frames.chart import sheet
from benchmarks.worlds.frames.feed import Feed, FeedFrame, Motion
from benchmarks.worlds.frames.kit import FAST, PLAIN, REAL, cell_seed


@dataclass(frozen=True)
class FeedCell:
    """A kind of feed and what is asked of the meter in it.

    Parameters
    ----------
    name, feed
        Its name and what is before the pictures; the place of rest is replaced by each of ``rests_um``.
    rests_um
        Places of rest [µm, both sides of best focus are made].
    floor_um, share
        Highest rms of the size of z: the larger of a floor [µm] and a share of z.
    limit_at_zero_um
        Highest upper limit at z = 0 [µm].
    gives_microns
        Whether a figure in µm is due; otherwise it must be refused.
    codes
        What must be found or said, for reading.
    """

    name: str
    feed: Feed
    rests_um: tuple[float, ...] = (3.0, 6.0, 10.0, 20.0, 40.0)
    floor_um: float = 1.0
    share: float = 0.04
    limit_at_zero_um: float = 2.0
    gives_microns: bool = True
    codes: tuple[str, ...] = ()

    def at(self, rest_um: float) -> Feed:
        """Return the feed that rests at a place."""
        return replace(self.feed, motion=replace(self.feed.motion, rest_um=rest_um))

    def smaller(self) -> "FeedCell":
        """Return the cell with a smaller star and crop, to be made sooner; whole pictures stay."""
        if not self.feed.crop_px:
            return self
        return replace(self, feed=replace(self.feed, chart=sheet(star_count=1, scale=0.6), crop_px=264))

    def frames(self, rest_um: float, *, seed: int) -> Iterator[FeedFrame]:
        """Yield one pass of this cell that ends at rest at a place."""
        return self.at(rest_um).frames(seed=cell_seed(f"{self.name} {rest_um:g}", seed))


_MONITOR = Camera(tone="Rec.709", bits=8)
_SHARP = replace(_MONITOR, mosaic="bilinear", sharpening=0.4)
_HARD: dict[str, Any] = {
    "lens": replace(REAL, growth=1e-4),
    "camera": replace(_SHARP, black=0.03, flare=0.02),
    "shake_px": 2.0,
    "exposure_s": 1 / 50,
    "light_drift": 0.05,
}
_HELD = Motion(hold_s=1.4)
_SLOW = Motion(turns_um=(-130.0, 100.0, -80.0, 60.0))
_FROZEN: dict[str, Any] = {"gives_microns": False, "codes": ("frozen",), "frozen_s": 2.0}


def _feed(
    name: str,
    *,
    limit: float = 2.0,
    **parts: Any,  # noqa: ANN401
) -> FeedCell:
    own = {
        key: parts.pop(key)
        for key in ("rests_um", "floor_um", "share", "gives_microns", "codes")
        if key in parts
    }
    defaults: dict[str, Any] = {"lens": PLAIN, "camera": _MONITOR}
    return FeedCell(name, Feed(**(defaults | parts)), limit_at_zero_um=limit, **own)


FEEDS = {
    cell.name: cell
    for cell in (
        _feed("plain f/1.4", lens=FAST),
        _feed("plain f/2"),
        _feed("plain f/2.8", limit=2.8, lens=replace(PLAIN, fnumber=2.8)),
        _feed("plain f/4", limit=3.5, lens=replace(PLAIN, fnumber=4.0), motion=_SLOW, share=0.0),
        _feed(
            "plain f/5.6", limit=5.0, lens=replace(PLAIN, fnumber=5.6), motion=_SLOW, floor_um=1.5, share=0.0
        ),
        _feed("real lens, sharpened .4", limit=4.0, lens=REAL, camera=_SHARP, floor_um=1.5, share=0.05),
        _feed(
            "real lens, sharpened .2",
            limit=4.0,
            lens=REAL,
            camera=replace(_SHARP, sharpening=0.2),
            floor_um=1.5,
            share=0.05,
        ),
        _feed("everything together", limit=5.0, floor_um=1.4, share=0.0, **_HARD),
        _feed(
            "noise reduction, bilateral",
            limit=4.0,
            camera=replace(_MONITOR, noise_reduction="bilateral"),
            motion=_HELD,
            floor_um=2.0,
            share=0.06,
        ),
        _feed(
            "noise reduction, median",
            limit=4.0,
            camera=replace(_MONITOR, noise_reduction="median"),
            motion=_HELD,
            floor_um=2.0,
            share=0.06,
        ),
        _feed("intra coding", limit=4.0, codec="H.264 intra", motion=_HELD, floor_um=2.0, share=0.06),
        _feed("long groups", codec="H.264 long groups", gives_microns=False, codes=("inter-frame coding",)),
        _feed(
            "temporal noise reduction",
            camera=replace(_MONITOR, noise_reduction="temporal", noise_reduction_weight=0.7),
            gives_microns=False,
            codes=("noise reduction",),
        ),
        _feed("a tenth dropped", dropped=0.1),
        _feed("a jump of 5 px", jump_px=5.0),
        _feed("an exposure step", exposure_step=0.7),
        _feed("frozen", **_FROZEN),
        _feed("anamorphic", lens=replace(PLAIN, axis_split_um=30.0), codes=("two focal distances",)),
        _feed("shake and smear", shake_px=2.0, exposure_s=1 / 50),
        _feed("light drift", light_drift=0.05),
        _feed("breathing", lens=replace(PLAIN, growth=1e-4)),
        _feed("five stars, tilted", crop_px=0, width=1280, height=720, tilt_range_um=15.0),
    )
}
"""Feeds by name."""


def lone_frame(*, z_um: float) -> Feed:
    """Return a second at rest far from best focus; the star must be found in any one picture."""
    motion = Motion(turns_um=(), rest_um=z_um, rest_s=1.0)
    return replace(FEEDS["plain f/2"].feed, motion=motion)
