"""Find a chart's markers in a frame, follow them through a sweep, and map the sheet's millimetres to pixels.

Pixel centres lie at whole numbers, x right, y down. The picture grows or shrinks as focus moves; each corner
is modelled as a straight line over the swept coordinate.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import ChartLayout

Corners = dict[int, FloatArray]

DETECT_WIDTH_PX = 1920
"""Frames are shrunk to about this width before markers are searched; corners are refined in the frame."""
REACH_SHARE, MIN_REACH_PX, MAX_REACH_PX = 1 / 8, 3, 24
"""A corner is refined within this share of the marker's side, between these limits; chosen."""
LINE_LIMIT_PX, LINE_LIMIT_TIMES = 0.05, 4.0
"""Frames farther off a corner's line than this, and than so many times the median, are left out; chosen."""


@dataclass(frozen=True, slots=True)
class ChartTrack:
    """Lines of the marker corners: ``corners_px[id]`` (4, 2) at coordinate 0, ``drift_px[id]`` per unit."""

    corners_px: Corners
    drift_px: Corners
    corners_mm: Corners

    def homography(self, coordinate: float) -> FloatArray:
        """Return the homography from chart mm to px, (3, 3), at a coordinate."""
        ids = sorted(self.corners_px)
        px = [self.corners_px[k] + coordinate * self.drift_px[k] for k in ids]
        return fit_homography(np.concatenate([self.corners_mm[k] for k in ids]), np.concatenate(px))


def find_markers(frame: NDArray[np.float32], layout: ChartLayout) -> Corners:
    """Find the layout's markers in a frame.

    Parameters
    ----------
    frame : ndarray
        Linear, (rows, columns), any scale.
    layout : ChartLayout
        Which markers to look for.

    Returns
    -------
    dict
        Corners in px, (4, 2), clockwise from the top left of the sheet, by marker number; empty if none is
        found.

    Raises
    ------
    ImagingError
        If the layout names a marker dictionary that does not exist.

    References
    ----------
    .. [1] S. Garrido-Jurado et al., "Automatic generation and detection of highly reliable fiducial markers
       under occlusion", Pattern Recognition 47 (2014); the detector is OpenCV's.
    """
    code = getattr(cv2.aruco, layout.marker_dictionary, None)
    if not isinstance(code, int):
        raise ImagingError(
            f"The chart names the marker dictionary {layout.marker_dictionary!r}, which does not exist; "
            "give one such as DICT_4X4_50."
        )
    factor = max(1, round(frame.shape[1] / DETECT_WIDTH_PX))
    small = frame
    if factor > 1:
        shrunk = cv2.resize(frame, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
        small = np.asarray(shrunk, dtype=np.float32)
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(code), cv2.aruco.DetectorParameters()
    )
    ids: Any
    corners, ids, _ = detector.detectMarkers(_as_bytes(small))
    if ids is None:
        return {}
    wanted = {marker.id for marker in layout.markers}
    found = {
        int(k): factor * (c.reshape(4, 2).astype(np.float64) + 0.5) - 0.5
        for k, c in zip(np.ravel(ids), corners, strict=True)
        if int(k) in wanted
    }
    return follow_markers(frame, found)


def follow_markers(frame: NDArray[np.float32], near: Corners) -> Corners:
    """Refine corners near where they were last, to a fraction of a pixel; lost ones are left out.

    References
    ----------
    .. [1] W. Förstner and E. Gülch, "A fast operator for detection and precise location of distinct points,
       corners and centres of circular features" (1987): the corner is where the gradients' normals meet.
    """
    found: Corners = {}
    for number, corners in near.items():
        side = float(np.min(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)))
        reach = int(np.clip(REACH_SHARE * side, MIN_REACH_PX, MAX_REACH_PX))
        moved = _refined(frame, corners, reach)
        if moved is not None and np.max(np.abs(moved - corners)) <= reach:
            found[number] = moved
    return found


def track_chart(seen: list[tuple[float, Corners]], layout: ChartLayout) -> ChartTrack:
    """Fit a straight line to every corner through the sweep.

    Parameters
    ----------
    seen : list
        Coordinate and corners of each frame in which markers were found.
    layout : ChartLayout
        The chart.

    Raises
    ------
    ImagingError
        If no marker was found in any frame.
    """
    numbers = sorted({k for _, corners in seen for k in corners})
    if not numbers:
        raise ImagingError(
            f"None of the {len(layout.markers)} markers of the chart was found in any frame. Check that the "
            "whole chart is in the picture and that chart.json is this sheet's, or give the star's centre."
        )
    start: Corners = {}
    drift: Corners = {}
    for number in numbers:
        where = np.array([p for p, corners in seen if number in corners])
        px = np.array([corners[number] for _, corners in seen if number in corners])
        start[number], drift[number] = _line(where, px)
    sheet = layout.marker_corners_mm()
    return ChartTrack(start, drift, {k: sheet[k] for k in numbers})


def fit_homography(chart_mm: FloatArray, px: FloatArray) -> FloatArray:
    """Compute the homography from chart mm to px by linear least squares on normalised points.

    References
    ----------
    .. [1] R. Hartley, "In defense of the eight-point algorithm", IEEE PAMI 19 (1997): the normalisation.
    """
    if chart_mm.shape[0] < 4:
        raise ImagingError(f"A map from sheet to picture needs 4 points; {chart_mm.shape[0]} were found.")
    near, far = _normaliser(chart_mm), _normaliser(px)
    a, b = map_points(near, chart_mm), map_points(far, px)
    zero, one = np.zeros((a.shape[0], 3)), np.column_stack([a, np.ones(a.shape[0])])
    rows = np.vstack([np.hstack([one, zero, -b[:, :1] * one]), np.hstack([zero, one, -b[:, 1:] * one])])
    h = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    out = np.linalg.inv(far) @ h @ near
    return np.asarray(out / out[2, 2], dtype=np.float64)


def map_points(homography: FloatArray, points: FloatArray) -> FloatArray:
    """Map points (..., 2) by a homography."""
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(mapped[..., :2] / mapped[..., 2:], dtype=np.float64)


def _line(where: FloatArray, px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit a line to corners (frames, 4, 2): value at 0 and slope; frames far off are left out once."""
    keep = np.ones(where.size, dtype=bool)
    for _ in range(2):
        runs = np.ptp(where[keep]) > 1e-9 and keep.sum() >= 3
        design = np.column_stack([np.ones(where.size), where if runs else np.zeros(where.size)])
        line = np.linalg.lstsq(design[keep], px[keep].reshape(keep.sum(), -1), rcond=None)[0]
        left = px.reshape(where.size, -1) - design @ line
        worst = np.max(np.abs(left), axis=1)
        keep = worst <= max(LINE_LIMIT_PX, LINE_LIMIT_TIMES * float(np.median(worst)))
        if keep.all():
            break
    return line[0].reshape(4, 2), line[1].reshape(4, 2)


def _refined(frame: NDArray[np.float32], corners: FloatArray, reach: int) -> FloatArray | None:
    pad = 2 * reach + 6
    low = np.floor(corners.min(axis=0)).astype(int) - pad
    high = np.ceil(corners.max(axis=0)).astype(int) + pad
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    right, bottom = min(int(high[0]), frame.shape[1]), min(int(high[1]), frame.shape[0])
    crop = np.ascontiguousarray(frame[top:bottom, left:right], dtype=np.float32)
    local = (corners - (left, top)).astype(np.float32).reshape(-1, 1, 2)
    inside = (local > 1).all() and (local < (right - left - 2, bottom - top - 2)).all()
    if not inside or min(crop.shape) < 2 * reach + 5:
        return None
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
    moved = cv2.cornerSubPix(crop, local.copy(), (reach, reach), (-1, -1), stop)
    return np.asarray(moved.reshape(4, 2) + np.array([left, top]), dtype=np.float64)


def _as_bytes(frame: NDArray[np.float32]) -> NDArray[np.uint8]:
    sample = frame[:: max(1, frame.shape[0] // 256), :: max(1, frame.shape[1] // 256)]
    low, high = np.nanpercentile(sample, [0.5, 99.5])
    scale = 255.0 / max(float(high - low), 1e-12)
    return np.asarray(
        cv2.convertScaleAbs(np.maximum(frame - np.float32(low), 0), alpha=scale), dtype=np.uint8
    )


def _normaliser(points: FloatArray) -> FloatArray:
    centre = points.mean(axis=0)
    scale = np.sqrt(2.0) / max(float(np.mean(np.linalg.norm(points - centre, axis=1))), 1e-12)
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])
