"""A sweep without a chart: where a textured target is sharpest, relative only."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.focus.flags import Flag, Raised, raised
from shimwise.imaging.focus.texture import (
    RelativePeak,
    fit_relative_peak,
    gradient_energy,
    most_textured_region,
)

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
Frames = Iterable[tuple[float, Picture]]

MIN_FRAMES, MIN_SIDE_PX, REGION_SIDE_PX = 7, 16, 256
MANY_CLIPPED, SOME_CLIPPED = 0.01, 0.001
"""Share of clipped pixels from which a peak is withheld, and from which it is mentioned."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextureSweep:
    """A target's gradient energy through focus, its peak (None where a flag withholds it), and the flags.

    ``region_px`` is left, top, right and bottom of what was measured.
    """

    region_px: tuple[int, int, int, int]
    position_um: FloatArray
    energy: FloatArray
    peak: RelativePeak | None
    flags: tuple[Raised, ...]


def measure_texture(
    frames: Callable[[], Frames],
    *,
    region_px: tuple[int, int, int, int] | None = None,
    white: float = np.inf,
    black: float = -np.inf,
) -> TextureSweep:
    """Measure a textured target, in the region given or in the most textured one of the sharpest frame.

    Parameters
    ----------
    frames : callable
        Yields position [µm in image space] and linear frame of each; called twice without a region.
    region_px : tuple of int, optional
        Left, top, width and height.
    white, black : float
        Linear values at or beyond which a pixel is clipped.

    Raises
    ------
    ImagingError
        If the region lies outside the frame, or is black.
    """
    box = _found(frames()) if region_px is None else None
    position, energy, clipped = [], [], []
    for at, frame in frames():
        if box is None and region_px is not None:
            box = _inside(region_px, frame)
        if box is None:
            break
        part = frame[box[1] : box[3], box[0] : box[2]]
        position.append(at)
        energy.append(gradient_energy(part))
        clipped.append((float(np.mean(part >= white)), float(np.mean(part <= black))))
    if box is None:
        raise ImagingError("The sweep has no frames.")
    flags = [*_clipping(clipped)]
    z, y = _without_copies(np.array(position), np.array(energy), flags)
    peak = _fitted(z, y, flags)
    if any(flag.stops for flag in flags):
        peak = None
    return TextureSweep(region_px=box, position_um=z, energy=y, peak=peak, flags=tuple(flags))


def _found(frames: Frames) -> tuple[int, int, int, int] | None:
    """Find the most textured square of the sharpest frame."""
    best, sharpest = -1.0, None
    for _, frame in frames:
        energy = gradient_energy(frame)
        if energy > best:
            best, sharpest = energy, frame.copy()
    return None if sharpest is None else most_textured_region(sharpest, side_px=REGION_SIDE_PX)


def _inside(region_px: tuple[int, int, int, int], frame: Picture) -> tuple[int, int, int, int]:
    left, top, width, height = region_px
    rows, columns = frame.shape
    if min(width, height) < MIN_SIDE_PX:
        raise ImagingError(
            f"The region is {width} × {height} px; give {MIN_SIDE_PX} px or more to each side."
        )
    if left < 0 or top < 0 or left + width > columns or top + height > rows:
        raise ImagingError(
            f"The region {left},{top},{width},{height} leads out of the frame of {columns} × {rows} px; "
            "give left, top, width and height inside it."
        )
    return left, top, left + width, top + height


def _clipping(shares: list[tuple[float, float]]) -> Iterator[Raised]:
    for side, flag in enumerate((Flag.SATURATED, Flag.BLACK_CLIPPED)):
        worst = max((share[side] for share in shares), default=0.0)
        if worst > SOME_CLIPPED:
            yield raised(flag, f"{worst:.1%} of the region's pixels", stops=worst > MANY_CLIPPED)


def _without_copies(z: FloatArray, y: FloatArray, flags: list[Raised]) -> tuple[FloatArray, FloatArray]:
    """Leave out copies of a frame, whose energy is the same to the last bit; judge the positions."""
    copies = [i + 1 for i in range(len(y) - 1) if y[i] == y[i + 1]]
    flags += [raised(Flag.DUPLICATE_FRAMES, f"frames {i} and {i + 1} are the same picture") for i in copies]
    keep = np.setdiff1d(np.arange(len(y)), copies)
    step = np.diff(z[keep])
    wrong = np.flatnonzero(step * np.sign(np.median(step) if step.size else 1.0) <= 0)
    if wrong.size:
        at = int(wrong[0])
        report = f"from {z[keep][at]:g} to {z[keep][at + 1]:g} µm at frame {int(keep[at + 1]) + 1}"
        flags.append(raised(Flag.NOT_MONOTONE, report))
    return z[keep], y[keep]


def _fitted(z: FloatArray, y: FloatArray, flags: list[Raised]) -> RelativePeak | None:
    order = np.argsort(z)
    k = int(np.argmax(y[order]))
    if len(z) < MIN_FRAMES:
        flags.append(raised(Flag.TOO_FEW_FRAMES, f"{len(z)} frames"))
    elif not 2 <= k <= len(z) - 3:
        flags.append(raised(Flag.PEAK_AT_END, f"the target is sharpest at {z[order][k]:g} µm"))
    if any(flag.stops for flag in flags):
        return None
    try:
        return fit_relative_peak(z, y)
    except ImagingError as error:
        flags.append(raised(Flag.TOO_FEW_FRAMES, str(error).rstrip(".")))
        return None
