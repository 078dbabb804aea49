"""Where a point of the invented chart falls on the sensor, and where it is sharp."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .spec import SweepSpec

__all__ = ["Camera"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """Where a point of the chart falls on the sensor, and where it is sharp: a pinhole with a thin lens."""

    spec: SweepSpec

    @property
    def centre_px(self) -> Floats:
        """Centre of the frame, px."""
        return np.array([(self.spec.width - 1) / 2, (self.spec.height - 1) / 2])

    @property
    def distance_mm(self) -> float:
        """Chart to front principal plane, mm."""
        return self.spec.focal_mm * (1.0 + 1.0 / self.spec.magnification)

    @property
    def homography(self) -> Floats:
        """Chart mm to px at sensor position 0, before distortion; last row in mm."""
        spec = self.spec
        image_px = self.distance_mm * spec.magnification * 1e3 / spec.pitch_um
        lens = np.array([[image_px, 0, 0], [0, image_px, 0], [0, 0, 1.0]])
        turn = self._rotation()
        aside_mm = np.array(spec.offset_px) * self.distance_mm / image_px
        place = np.column_stack([turn[:, 0], turn[:, 1], [*aside_mm, self.distance_mm]])
        shift = np.eye(3)
        shift[:2, 2] = self.centre_px
        return np.asarray(shift @ lens @ place, dtype=float)

    def to_px(self, chart_mm: ArrayLike, scale: float = 1.0) -> Floats:
        """Pixel of chart points (..., 2), the picture larger by `scale` about the frame's centre."""
        points = np.asarray(chart_mm, dtype=float)
        mapped = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ self.homography.T
        return self._distort(mapped[..., :2] / mapped[..., 2:], scale)

    def to_chart(self, x_px: Floats, y_px: Floats, scale: float = 1.0) -> tuple[Floats, Floats]:
        """Chart point, mm, of pixels: the inverse of :meth:`to_px`."""
        x_px, y_px = self._undistort(x_px, y_px, scale)
        inverse = np.linalg.inv(self.homography)
        u, v, w = (row[0] * x_px + row[1] * y_px + row[2] for row in inverse)
        return u / w, v / w

    def scale(self, position_um: float) -> float:
        """Size of the picture at a sensor position, 1 at 0: the exit pupil throws it."""
        if self.spec.exit_pupil_mm is None:
            return 1.0
        return 1.0 + position_um * 1e-3 / self.spec.exit_pupil_mm

    def best_um(self, x_px: ArrayLike, y_px: ArrayLike) -> Floats:
        """Sensor position of paraxial best focus at a pixel: tilt, curvature and the chart's turn."""
        spec, (cx, cy) = self.spec, self.centre_px
        x, y = np.asarray(x_px, dtype=float), np.asarray(y_px, dtype=float)
        field_squared = ((x - cx) ** 2 + (y - cy) ** 2) / ((spec.width**2 + spec.height**2) / 4)
        sensor = spec.tilt_x_um * (x - cx) / spec.width + spec.tilt_y_um * (y - cy) / spec.height
        field = sensor + spec.curvature_um * field_squared
        return np.asarray(spec.best_um + field + self.chart_part_um(x, y), dtype=float)

    def chart_part_um(self, x_px: ArrayLike, y_px: ArrayLike) -> Floats:
        """Share of best focus that the chart's own turn makes: thin-lens image distance less the centre's."""
        x, y = np.asarray(x_px, dtype=float), np.asarray(y_px, dtype=float)
        turn, f = self._rotation(), self.spec.focal_mm
        chart_x, chart_y = self.to_chart(x, y)
        depth = self.distance_mm + turn[2, 0] * chart_x + turn[2, 1] * chart_y
        centre = f * self.distance_mm / (self.distance_mm - f)
        return np.asarray(1e3 * (f * depth / (depth - f) - centre), dtype=float)

    def _rotation(self) -> Floats:
        yaw, pitch, roll = np.deg2rad([self.spec.yaw_deg, self.spec.pitch_deg, self.spec.roll_deg])
        about_y = np.array([[np.cos(yaw), 0, -np.sin(yaw)], [0, 1, 0], [np.sin(yaw), 0, np.cos(yaw)]])
        about_x = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
        about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
        return np.asarray(about_y @ about_x @ about_z, dtype=float)

    def _distort(self, px: Floats, scale: float) -> Floats:
        away = px - self.centre_px
        corner = (self.spec.width**2 + self.spec.height**2) / 4
        drawn = 1.0 - self.spec.barrel * np.sum(away**2, axis=-1, keepdims=True) / corner
        return np.asarray(self.centre_px + scale * drawn * away, dtype=float)

    def _undistort(self, x_px: Floats, y_px: Floats, scale: float) -> tuple[Floats, Floats]:
        cx, cy = self.centre_px
        x, y = (x_px - cx) / scale, (y_px - cy) / scale
        corner = (self.spec.width**2 + self.spec.height**2) / 4
        drawn: Any = 1.0
        if self.spec.barrel:
            squared = (x**2 + y**2) / corner
            drawn = np.ones_like(squared)
            for _ in range(12):
                drawn = 1.0 - self.spec.barrel * squared / drawn**2
        return cx + x / drawn, cy + y / drawn
