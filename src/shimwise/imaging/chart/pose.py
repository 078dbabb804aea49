"""Pose of the chart before the camera: turn, distance and magnification, from points in the picture.

The camera is a pinhole at the lens with the image distance of the sharp chart. Yaw > 0: the sheet's right
side is farther away; pitch > 0: its lower side is farther away; roll from x towards y.
"""

import math
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError

LEAST_SHARE = 0.05
"""Least value of 1 − leverage: a point that alone decides an unknown has no residual, whatever its error."""
MIN_POINTS, MIN_POINTS_BENT = 4, 8
"""Points that six unknowns need, and from which on distortion is tried; the second is chosen."""
BENT_F = 20.0
"""F statistic from which distortion is fitted: near the 0.1 % level of 1 and 9 to 12 degrees of freedom."""
ROUNDS, SMALL_STEP = 8, 1e-10
"""Most rounds of Gauss-Newton, and the relative step below which it ends; chosen."""
_STEPS = np.array([1e-6, 1e-6, 1e-6, 1e-4, 1e-4, 1e-2, 1e-6])
"""Steps of the numerical slopes: yaw, pitch, roll [rad], x, y, distance [mm], distortion."""
_UNKNOWNS = _STEPS.size


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Pose of the chart.

    Attributes
    ----------
    yaw_deg, pitch_deg, roll_deg : float
        Turn of the sheet, degrees.
    turn_sd_deg : float
        Standard uncertainty of yaw and pitch, the larger, degrees.
    distance_mm : float
        Sheet to lens along the axis, mm.
    magnification : float
        Size of the picture by the sheet at the frame's centre.
    distortion : float
        Radial distortion at the frame's corner as a share of its radius, + draws the corner in; 0 if the
        points do not show any.
    covariance : ndarray
        Of (yaw, pitch) in rad².
    """

    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    turn_sd_deg: float
    distance_mm: float
    magnification: float
    distortion: float
    covariance: FloatArray


def fit_pose(
    chart_mm: FloatArray,
    px: FloatArray,
    sd_px: FloatArray,
    *,
    focal_mm: float,
    pitch_um: float,
    size_px: tuple[int, int],
) -> Pose:
    """Fit turn, place and distance of the chart to points seen in the picture.

    Parameters
    ----------
    chart_mm, px : ndarray
        Points on the sheet and in the picture, (points, 2); at least four.
    sd_px : ndarray
        Standard deviation of each point, px; only their ratios matter.
    focal_mm : float
        Focal length of the lens, mm.
    pitch_um : float
        Pixel pitch, µm.
    size_px : tuple of int
        Width and height of the frame.

    Raises
    ------
    ImagingError
        If there are fewer than four points.

    Notes
    -----
    Gauss-Newton on the projected points. Distortion is an unknown only if the points show it (F test). The
    variances of the turn are the larger of the usual ones and of those that hold if the points' standard
    deviations are wrong [2]_: an error of the print is as large for a star, whose centre is measured to a
    hundredth of a pixel, as for a marker.

    References
    ----------
    .. [1] Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000): pose and radial
       distortion from a plane.
    .. [2] J. G. MacKinnon, H. White, "Some heteroskedasticity-consistent covariance matrix estimators with
       improved finite sample properties", J. Econometrics 29 (1985): HC2 (cited from memory).
    """
    if chart_mm.shape[0] < MIN_POINTS:
        raise ImagingError(f"The chart's turn needs 4 points in the picture; {chart_mm.shape[0]} were found.")
    camera = _Pinhole(focal_mm, pitch_um, size_px)
    weight = 1.0 / np.repeat(sd_px, 2)
    start = camera.start(chart_mm, px)
    found = _solve(camera, chart_mm, px, weight, start, count=_UNKNOWNS - 1)
    if chart_mm.shape[0] >= MIN_POINTS_BENT:
        bent = _solve(camera, chart_mm, px, weight, found.unknowns, count=_UNKNOWNS)
        if (found.cost - bent.cost) / max(bent.cost / bent.freedom, 1e-30) > BENT_F:
            found = bent
    covariance, unknowns = found.turn_covariance(), found.unknowns
    yaw, pitch, roll, _, _, distance, distortion = unknowns
    turn_sd = math.degrees(math.sqrt(max(covariance[0, 0], covariance[1, 1])))
    return Pose(
        yaw_deg=math.degrees(yaw),
        pitch_deg=math.degrees(pitch),
        roll_deg=math.degrees(roll),
        turn_sd_deg=turn_sd,
        distance_mm=float(distance),
        magnification=camera.image_mm(distance) / camera.depth_on_axis(unknowns),
        distortion=float(distortion),
        covariance=covariance,
    )


def chart_share_um(
    pose: Pose, px: FloatArray, *, focal_mm: float, pitch_um: float, size_px: tuple[int, int]
) -> FloatArray:
    """Compute how far the chart's turn moves best focus at points (points, 2), less that at the centre. [µm]

    A part of the sheet that is farther away is sharp nearer to the lens: exact thin-lens image distances.
    """
    camera = _Pinhole(focal_mm, pitch_um, size_px)
    away = (px - camera.centre) * pitch_um * 1e-3 / camera.image_mm(pose.distance_mm)
    yaw, pitch = math.radians(pose.yaw_deg), math.radians(pose.pitch_deg)
    normal = _rotation(yaw, pitch, 0.0)[:, 2]
    depth = pose.distance_mm / (1.0 + (away @ normal[:2]) / normal[2])
    share: FloatArray = 1e3 * (focal_mm * depth / (depth - focal_mm) - camera.image_mm(pose.distance_mm))
    return share


@dataclass(frozen=True)
class _Pinhole:
    focal_mm: float
    pitch_um: float
    size_px: tuple[int, int]

    @property
    def centre(self) -> FloatArray:
        return np.array([(self.size_px[0] - 1) / 2, (self.size_px[1] - 1) / 2])

    def image_mm(self, distance_mm: float) -> float:
        return self.focal_mm * distance_mm / (distance_mm - self.focal_mm)

    def project(self, unknowns: FloatArray, chart_mm: FloatArray) -> FloatArray:
        yaw, pitch, roll, x, y, distance, distortion = unknowns
        turn = _rotation(yaw, pitch, roll)
        space = chart_mm @ turn[:, :2].T + np.array([x, y, distance])
        away = space[:, :2] / space[:, 2:] * self.image_mm(distance) * 1e3 / self.pitch_um
        corner = (self.size_px[0] ** 2 + self.size_px[1] ** 2) / 4
        drawn = 1.0 - distortion * np.sum(away**2, axis=1, keepdims=True) / corner
        return np.asarray(self.centre + drawn * away, dtype=np.float64)

    def depth_on_axis(self, unknowns: FloatArray) -> float:
        """Depth of the sheet where the axis meets it, mm."""
        yaw, pitch, roll, x, y, distance, _ = unknowns
        normal = _rotation(yaw, pitch, roll)[:, 2]
        return float(normal @ np.array([x, y, distance]) / normal[2])

    def start(self, chart_mm: FloatArray, px: FloatArray) -> FloatArray:
        """Return the unknowns of a square-on chart, from the similarity that fits the points."""
        a, b = chart_mm - chart_mm.mean(axis=0), px - px.mean(axis=0)
        grown = complex(np.sum((b[:, 0] + 1j * b[:, 1]) * (a[:, 0] - 1j * a[:, 1]))) / float(np.sum(a**2))
        magnification = abs(grown) * self.pitch_um * 1e-3
        roll = math.atan2(grown.imag, grown.real)
        turned = _rotation(0.0, 0.0, roll)[:2, :2] @ chart_mm.mean(axis=0)
        place = (px.mean(axis=0) - self.centre) / abs(grown) - turned
        return np.array([0.0, 0.0, roll, *place, self.focal_mm * (1.0 + 1.0 / magnification), 0.0])


@dataclass(frozen=True)
class _Solved:
    """Unknowns at the optimum, with the weighted slopes and residuals there."""

    unknowns: FloatArray
    slopes: FloatArray
    rest: FloatArray

    @property
    def cost(self) -> float:
        return float(self.rest @ self.rest)

    @property
    def freedom(self) -> int:
        return max(int(self.rest.size) - int(self.slopes.shape[1]), 1)

    def turn_covariance(self) -> FloatArray:
        """Covariance of yaw and pitch, (2, 2), rad²."""
        inverse = np.linalg.inv(self.slopes.T @ self.slopes)
        usual = inverse * self.cost / self.freedom
        leverage = np.einsum("ij,jk,ik->i", self.slopes, inverse, self.slopes)
        apart = self.rest / np.sqrt(np.maximum(1.0 - leverage, LEAST_SHARE))
        robust = inverse @ (self.slopes.T * apart**2) @ self.slopes @ inverse
        scale = np.sqrt(np.maximum(1.0, np.diag(robust) / np.maximum(np.diag(usual), 1e-300)))
        return np.asarray((usual * np.outer(scale, scale))[:2, :2])


def _solve(
    camera: _Pinhole,
    chart_mm: FloatArray,
    px: FloatArray,
    weight: FloatArray,
    start: FloatArray,
    *,
    count: int,
) -> _Solved:
    unknowns = start.copy()
    for _ in range(ROUNDS):
        rest = weight * (px - camera.project(unknowns, chart_mm)).ravel()
        slopes = np.empty((rest.size, count))
        for k in range(count):
            step = np.zeros(_UNKNOWNS)
            step[k] = _STEPS[k]
            ahead = camera.project(unknowns + step, chart_mm)
            behind = camera.project(unknowns - step, chart_mm)
            slopes[:, k] = weight * ((ahead - behind) / (2 * _STEPS[k])).ravel()
        change = np.linalg.lstsq(slopes, rest, rcond=None)[0]
        unknowns[:count] += change
        if np.all(np.abs(change) < SMALL_STEP * np.maximum(1.0, np.abs(unknowns[:count]))):
            break
    rest = weight * (px - camera.project(unknowns, chart_mm)).ravel()
    return _Solved(unknowns, slopes, rest)


def _rotation(yaw: float, pitch: float, roll: float) -> FloatArray:
    about_y = np.array([[math.cos(yaw), 0, -math.sin(yaw)], [0, 1, 0], [math.sin(yaw), 0, math.cos(yaw)]])
    about_x = np.array(
        [[1, 0, 0], [0, math.cos(pitch), -math.sin(pitch)], [0, math.sin(pitch), math.cos(pitch)]]
    )
    about_z = np.array([[math.cos(roll), -math.sin(roll), 0], [math.sin(roll), math.cos(roll), 0], [0, 0, 1]])
    return np.asarray(about_y @ about_x @ about_z, dtype=np.float64)
