"""Keep of each frame of a sweep only the crops around the stars, and the corners of the markers.

Frames are taken one at a time, so that a sweep needs the memory of its crops and of one frame.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import ChartLayout, Star
from shimwise.imaging.chart.markers import Corners, find_markers, fit_homography, follow_markers, map_points

Frame = NDArray[np.float32]

MAX_WAITING, MAX_WAITING_BYTES = 12, 2**30
"""While no marker has been seen yet, frames are kept whole until there are more than both; chosen."""
MIN_SIDE_PX = 16
"""Smallest side of a frame, px; chosen."""
CROP_MARGIN_PX, CROP_MARGIN_SHARE = 8.0, 0.006
"""Room around a star's crop: so many pixels, and so large a share of the frame's longer side more, because
the picture grows and wanders through a sweep; chosen, see the tests of sweeps that grow."""
MOSAIC_SAMPLE_PX = 64
"""A corner of so many pixels a side shows whether a frame is a mosaic with gaps."""
RIM_POINTS = 17


class SweptFrame(NamedTuple):
    """A frame of a sweep: position, picture, its name, and another channel of the same picture."""

    position_um: float
    pixels: NDArray[Any]
    name: str = ""
    second: NDArray[Any] | None = None


@dataclass(frozen=True, slots=True)
class Crop:
    """A part of a frame, with the column and row of its first pixel."""

    left: int
    top: int
    pixels: Frame


@dataclass(slots=True)
class Capture:
    """What was kept of a sweep: names, positions, crops around each star, marker corners by frame.

    ``second`` holds crops of another channel around the layout's centre star, where every frame has one.
    """

    size_px: tuple[int, int]
    position: list[float] = field(default_factory=list)
    stars: list[list[Crop]] = field(default_factory=list)
    corners: list[Corners] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    second: list[Crop] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def start_from_star(layout: ChartLayout, *, centre_px: tuple[float, float], radius_px: float) -> FloatArray:
    """Return the map from sheet mm to px (3, 3) for a centre star given by its centre and radius, px.

    A fraction of the spokes' width is close enough; the fit of the star's phase corrects the rest.
    """
    star = layout.centre_star
    scale = radius_px / star.radius_mm
    out = np.diag([scale, scale, 1.0])
    out[:2, 2] = np.array(centre_px) - scale * np.array(star.centre_mm)
    return out


def capture(
    frames: Iterable[SweptFrame | tuple[float, NDArray[np.generic]]],
    layout: ChartLayout,
    *,
    start: FloatArray | None = None,
) -> Capture:
    """Read the frames of a sweep one by one and return what measuring needs of them.

    Parameters
    ----------
    frames : iterable
        Position and linear frame (rows, columns), or these with a name and a second channel; NaN where a
        mosaic has no site of the measured colour.
    layout : ChartLayout
        The chart.
    start : ndarray, optional
        Map from sheet mm to px (3, 3) when the chart has no markers or they are not in the picture.

    Raises
    ------
    ImagingError
        If there are no frames, frames differ in size, or no marker is found in any.
    """
    taken: Capture | None = None
    waiting: list[SweptFrame] = []
    map_px = start
    near: Corners = {}
    for number, item in enumerate(frames):
        swept = SweptFrame(*item)
        frame = _checked(swept.pixels, number, taken)
        swept = swept._replace(pixels=frame, name=swept.name or f"frame {number + 1}")
        taken = taken or Capture(size_px=(frame.shape[1], frame.shape[0]))
        if not np.isfinite(swept.position_um):
            taken.left_out.append(f"{swept.name} has the position {swept.position_um}")
            continue
        seen = _markers(frame, layout, near)
        near = seen or near
        if map_px is None and seen:
            map_px = _map(seen, layout)
            for earlier in waiting:
                _keep(taken, earlier, _markers(earlier.pixels, layout, near), layout, map_px)
            waiting.clear()
        if map_px is None:
            waiting.append(swept._replace(pixels=frame.copy()))
            held_bytes = len(waiting) * frame.nbytes
            if len(waiting) > MAX_WAITING and held_bytes > MAX_WAITING_BYTES:
                _refuse_blind(len(waiting), layout)
            continue
        _keep(taken, swept, seen, layout, map_px)
    if taken is None:
        raise ImagingError("The sweep has no frames.")
    if map_px is None:
        _refuse_blind(len(waiting), layout)
    return taken


def _keep(taken: Capture, swept: SweptFrame, seen: Corners, layout: ChartLayout, map_px: FloatArray) -> None:
    taken.names.append(swept.name)
    taken.position.append(float(swept.position_um))
    taken.corners.append(seen)
    taken.stars.append([_crop(swept.pixels, map_px, star) for star in layout.stars])
    if swept.second is not None:
        taken.second.append(_crop(swept.second, map_px, layout.centre_star))


def _crop(frame: NDArray[np.generic], map_px: FloatArray, star: Star) -> Crop:
    turn = np.linspace(0, 2 * np.pi, RIM_POINTS)
    rim = np.array(star.centre_mm) + star.radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    px = map_points(map_px, rim)
    margin = CROP_MARGIN_PX + CROP_MARGIN_SHARE * max(frame.shape)
    low, high = np.floor(px.min(axis=0) - margin).astype(int), np.ceil(px.max(axis=0) + margin).astype(int)
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    pixels = frame[top : max(int(high[1]), top), left : max(int(high[0]), left)]
    return Crop(left, top, np.ascontiguousarray(pixels, dtype=np.float32).copy())


def _checked(raw: NDArray[np.generic], number: int, taken: Capture | None) -> Frame:
    frame = np.asarray(raw, dtype=np.float32)
    if frame.ndim != 2 or min(frame.shape) < MIN_SIDE_PX:
        raise ImagingError(
            f"Frame {number + 1} has the shape {frame.shape}; expected rows and columns, {MIN_SIDE_PX} at "
            "least."
        )
    if taken is not None and (frame.shape[1], frame.shape[0]) != taken.size_px:
        raise ImagingError(
            f"Frame {number + 1} is {frame.shape[1]} x {frame.shape[0]} px, the first is "
            f"{taken.size_px[0]} x {taken.size_px[1]}: all frames of a sweep must be of one size."
        )
    return frame


def _markers(frame: Frame, layout: ChartLayout, near: Corners) -> Corners:
    """Return the markers: followed from where they were, searched in the whole frame if one is lost."""
    if not layout.markers:
        return {}
    picture = _without_gaps(frame)
    followed = follow_markers(picture, near)
    if near and len(followed) == len(near):
        return followed
    return followed | find_markers(picture, layout)


def _without_gaps(frame: Frame) -> Frame:
    """Fill the sites that a mosaic does not have from their four neighbours."""
    if not np.isnan(frame[:MOSAIC_SAMPLE_PX, :MOSAIC_SAMPLE_PX]).any():
        return frame
    have = np.isfinite(frame).astype(np.float32)
    kernel = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], dtype=np.float32)
    filled = np.nan_to_num(frame)
    around = cv2.filter2D(filled, -1, kernel) / np.maximum(cv2.filter2D(have, -1, kernel), 1.0)
    return np.where(have > 0, filled, around).astype(np.float32)


def _map(seen: Corners, layout: ChartLayout) -> FloatArray:
    sheet = layout.marker_corners_mm()
    return fit_homography(np.concatenate([sheet[k] for k in seen]), np.concatenate([seen[k] for k in seen]))


def _refuse_blind(count: int, layout: ChartLayout) -> None:
    if not layout.markers:
        raise ImagingError("The chart has no markers: give the star's centre and radius in the picture.")
    raise ImagingError(
        f"None of the {len(layout.markers)} markers was found in {count} frames. Check that the whole chart "
        "is in the picture and that chart.json is this sheet's, or give the star's centre and radius."
    )
