"""Frames in, marks on the sheet out: keeps of each frame only what stands around the stars and edges.

Frames are taken one at a time, so that a sweep needs the memory of its crops and of one frame.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import ChartLayout
from shimwise.imaging.chart.markers import Corners, find_markers, fit_homography, follow_markers, map_points

__all__ = ["Capture", "Crop", "capture", "start_from_star"]

FloatArray = NDArray[np.float64]
Frame = NDArray[np.float32]

MAX_WAITING = 12
"""Frames kept whole while no marker has been seen yet."""


@dataclass(frozen=True, slots=True)
class Crop:
    """A part of a frame with the place of its first pixel."""

    left: int
    top: int
    pixels: Frame


@dataclass(slots=True)
class Capture:
    """What was kept of a sweep: positions, crops around each star and edge, and marker corners by frame."""

    size_px: tuple[int, int]
    position: list[float] = field(default_factory=list)
    stars: list[list[Crop]] = field(default_factory=list)
    edges: list[list[Crop]] = field(default_factory=list)
    corners: list[Corners] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def start_from_star(
    layout: ChartLayout, *, centre_px: tuple[float, float], radius_px: float, angle_deg: float = 0.0
) -> FloatArray:
    """Map sheet to picture from the centre star as a person points at it: its centre and radius, px.

    Good to a fraction of the spokes' width; the fit finds the rest.
    """
    star = layout.centre_star
    scale, turn = radius_px / star.radius_mm, np.deg2rad(angle_deg)
    rotation = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    out = np.eye(3)
    out[:2, :2] = rotation
    out[:2, 2] = np.array(centre_px) - rotation @ np.array(star.centre_mm)
    return out


def capture(
    frames: Iterable[tuple[float, NDArray[np.generic]]],
    layout: ChartLayout,
    *,
    start: FloatArray | None = None,
) -> Capture:
    """Take the frames of a sweep one by one and keep what the measuring needs.

    Parameters
    ----------
    frames : iterable
        Position and linear frame (rows, columns); NaN where a mosaic has no site of the measured colour.
    layout : ChartLayout
        The chart.
    start : ndarray, optional
        Map from sheet mm to px (3, 3) when the chart has no markers or they are not in the picture.

    Raises
    ------
    ImagingError
        When no frame is given, frames differ in size, or no marker is found in any frame.
    """
    taken: Capture | None = None
    waiting: list[tuple[float, Frame]] = []
    map_px = start
    near: Corners = {}
    for number, (position, raw) in enumerate(frames):
        frame = _checked(raw, number, taken)
        taken = taken or Capture(size_px=(frame.shape[1], frame.shape[0]))
        if not np.isfinite(position):
            taken.left_out.append(f"frame {number + 1} has the position {position}")
            continue
        seen = _markers(frame, layout, near)
        near = seen or near
        if map_px is None and seen:
            map_px = _map(seen, layout)
            for earlier in waiting:
                _keep(taken, *earlier, _markers(earlier[1], layout, near), layout, map_px)
            waiting.clear()
        if map_px is None:
            waiting.append((position, frame.copy()))
            _refuse_endless(waiting, layout)
            continue
        _keep(taken, position, frame, seen, layout, map_px)
    if taken is None:
        raise ImagingError("The sweep has no frames.")
    if map_px is None:
        _refuse_blind(len(waiting), layout)
    return taken


def _keep(
    taken: Capture, position: float, frame: Frame, seen: Corners, layout: ChartLayout, map_px: FloatArray
) -> None:
    taken.position.append(float(position))
    taken.corners.append(seen)
    stars = [(star.centre_mm, star.radius_mm) for star in layout.stars]
    edges = [(edge.centre_mm, 0.78 * edge.side_mm) for edge in layout.edges]
    taken.stars.append([_crop(frame, map_px, *place) for place in stars])
    taken.edges.append([_crop(frame, map_px, *place) for place in edges])


def _crop(frame: Frame, map_px: FloatArray, centre_mm: tuple[float, float], reach_mm: float) -> Crop:
    turn = np.linspace(0, 2 * np.pi, 17)
    rim = np.array(centre_mm) + reach_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    px = map_points(map_px, rim)
    margin = 8.0 + 0.006 * max(frame.shape)
    low, high = np.floor(px.min(axis=0) - margin).astype(int), np.ceil(px.max(axis=0) + margin).astype(int)
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    pixels = frame[top : max(int(high[1]), top), left : max(int(high[0]), left)]
    return Crop(left, top, np.ascontiguousarray(pixels, dtype=np.float32).copy())


def _checked(raw: NDArray[np.generic], number: int, taken: Capture | None) -> Frame:
    frame = np.asarray(raw, dtype=np.float32)
    if frame.ndim != 2 or min(frame.shape) < 16:
        raise ImagingError(
            f"Frame {number + 1} has the shape {frame.shape}; expected rows and columns, 16 at least."
        )
    if taken is not None and (frame.shape[1], frame.shape[0]) != taken.size_px:
        raise ImagingError(
            f"Frame {number + 1} is {frame.shape[1]} x {frame.shape[0]} px, the first is "
            f"{taken.size_px[0]} x {taken.size_px[1]}: all frames of a sweep must be of one size."
        )
    return frame


def _markers(frame: Frame, layout: ChartLayout, near: Corners) -> Corners:
    """Markers near where they were, or searched in the whole frame while fewer than all are known."""
    if not layout.markers:
        return {}
    picture = _without_gaps(frame)
    followed = follow_markers(picture, near)
    if near and len(followed) == len(near):
        return followed
    return followed | find_markers(picture, layout)


def _without_gaps(frame: Frame) -> Frame:
    """Fill the sites that a mosaic does not have from their four neighbours."""
    missing = np.isnan(frame[:64, :64])
    if not missing.any():
        return frame
    have = np.isfinite(frame).astype(np.float32)
    kernel = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], dtype=np.float32)
    filled = np.nan_to_num(frame)
    around = cv2.filter2D(filled, -1, kernel) / np.maximum(cv2.filter2D(have, -1, kernel), 1.0)
    return np.where(have > 0, filled, around).astype(np.float32)


def _map(seen: Corners, layout: ChartLayout) -> FloatArray:
    sheet = layout.marker_corners_mm()
    return fit_homography(np.concatenate([sheet[k] for k in seen]), np.concatenate([seen[k] for k in seen]))


def _refuse_endless(waiting: list[tuple[float, Frame]], layout: ChartLayout) -> None:
    size = waiting[0][1].nbytes
    if len(waiting) > MAX_WAITING and len(waiting) * size > 1 << 30:
        _refuse_blind(len(waiting), layout)


def _refuse_blind(count: int, layout: ChartLayout) -> None:
    if not layout.markers:
        raise ImagingError("The chart has no markers: give the star's centre and radius in the picture.")
    raise ImagingError(
        f"None of the {len(layout.markers)} markers was found in {count} frames. Check that the whole "
        f"chart is in the "
        f"picture and that chart.json is this sheet's, or give the star's centre and radius."
    )
