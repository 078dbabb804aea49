"""Where a place on the chart falls on the sensor, and how far the sensor is from the image there.

A pinhole at the front principal plane forms the picture of a chart that may be turned; the lens distorts it;
the chief ray then goes on from the centre of the exit pupil to a sensor plane that may be tilted and moved,
so that the picture grows with focus and leans with tilt as real ones do. The image of a farther place on the
chart lies nearer to the lens, by the lens equation and not by its first order.

Pixel centres lie at whole numbers; the frame centre is ((width − 1) / 2, (height − 1) / 2).
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchmarks.worlds.frames.optics import Lens


@dataclass(frozen=True)
class View:
    """A lens, a chart before it and a sensor behind it.

    Parameters
    ----------
    lens
        The lens.
    width, height, pitch_um
        Size of the picture [px] and of a pixel [µm].
    yaw_deg, pitch_deg, roll_deg
        Turn of the chart about its vertical, its horizontal and the axis; + yaw moves its right side away, +
        pitch its lower side away, + roll turns it clockwise.
    shift_mm
        Where the chart's origin lies, from the axis [mm on the chart's plane].
    tilt_x_um, tilt_y_um
        Best focus at the right (bottom) edge minus that at the left (top) edge in positions of the sensor
        [µm]: a sensor whose right side is nearer to the lens must go farther out there, so + tilt_x is a
        right side near to the lens.
    z_um
        Position of the sensor's centre against the paraxial image of the axis [µm], + away from the lens.
    """

    lens: Lens
    width: int = 1280
    height: int = 720
    pitch_um: float = 6.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    tilt_x_um: float = 0.0
    tilt_y_um: float = 0.0
    z_um: float = 0.0

    def moved(self, z_um: float) -> "View":
        """Return the same view with the sensor at another place."""
        return replace(self, z_um=z_um)

    @property
    def half_diagonal_um(self) -> float:
        """Half the diagonal of the picture on the sensor [µm]: field 1."""
        return 0.5 * math.hypot(self.width, self.height) * self.pitch_um

    @cached_property
    def slopes(self) -> tuple[float, float]:
        """Height of the sensor plane gained per µm to the right and down."""
        return -self.tilt_x_um / (self.width * self.pitch_um), -self.tilt_y_um / (self.height * self.pitch_um)

    @cached_property
    def turn(self) -> NDArray[np.float64]:
        """Rotation of the chart, shape (3, 3): columns are its x, its y and its normal."""
        roll, yaw, pitch = np.radians([self.roll_deg, self.yaw_deg, self.pitch_deg])
        about_axis = np.array(
            [[math.cos(roll), -math.sin(roll), 0], [math.sin(roll), math.cos(roll), 0], [0, 0, 1]]
        )
        about_y = np.array([[math.cos(yaw), 0, -math.sin(yaw)], [0, 1, 0], [math.sin(yaw), 0, math.cos(yaw)]])
        about_x = np.array(
            [[1, 0, 0], [0, math.cos(pitch), -math.sin(pitch)], [0, math.sin(pitch), math.cos(pitch)]]
        )
        return np.asarray(about_y @ about_x @ about_axis)

    @cached_property
    def chart_to_image(self) -> NDArray[np.float64]:
        """Homography from the chart [mm] to the undistorted picture in the image plane [µm], shape (3, 3)."""
        lens, turn = self.lens, self.turn
        image_um = lens.image_mm * 1000
        origin = np.array([*self.shift_mm, lens.distance_mm])
        space = np.column_stack([turn[:, 0], turn[:, 1], origin])
        return np.asarray(np.diag([image_um, image_um, 1.0]) @ space)

    @cached_property
    def growth(self) -> float:
        """Size of the picture at the sensor's present place over that at z = 0, at the axis."""
        return (1 + self.z_um / (self.lens.exit_pupil_mm * 1000)) * (1 + self.lens.growth * self.z_um)

    def to_px(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return the picture's place [px] of a place on the chart [mm]."""
        x_um, y_um = self._on_image(x_mm, y_mm)
        x_um, y_um = (value * (1 + self.lens.growth * self.z_um) for value in (x_um, y_um))
        reach_um = self.lens.exit_pupil_mm * 1000
        along_x, along_y = self.slopes
        lean = along_x * x_um + along_y * y_um
        scale = 1 + (self.z_um + lean) / (reach_um - lean)
        return (
            x_um * scale / self.pitch_um + (self.width - 1) / 2,
            y_um * scale / self.pitch_um + (self.height - 1) / 2,
        )

    def field(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Return the field of a place in the picture."""
        reach = self.half_diagonal_um / self.pitch_um
        return (x_px - (self.width - 1) / 2) / reach, (y_px - (self.height - 1) / 2) / reach

    def defocus_um(self, x_mm: float, y_mm: float) -> float:
        """Return sensor minus paraxial image at a place on the chart [µm], + away from the lens.

        The field's curvature is in it; aberrations of the wavefront are not.
        """
        x_px, y_px = self.to_px(x_mm, y_mm)
        return self.sensor_height_um(x_px, y_px) - self.image_height_um(x_mm, y_mm)

    def sensor_height_um(self, x_px: float, y_px: float) -> float:
        """Return the height of the sensor plane at a place in the picture [µm]."""
        along_x, along_y = self.slopes
        across = (x_px - (self.width - 1) / 2) * self.pitch_um
        down = (y_px - (self.height - 1) / 2) * self.pitch_um
        return self.z_um + along_x * across + along_y * down

    def image_height_um(self, x_mm: float, y_mm: float) -> float:
        """Return the image's height from the chart's depth and the field's curvature [µm]."""
        x_px, y_px = self.to_px(x_mm, y_mm)
        return self.chart_height_um(x_mm, y_mm) + self.lens.curvature_um(self.field(x_px, y_px))

    def chart_height_um(self, x_mm: float, y_mm: float) -> float:
        """Return the height of the image that the chart's depth alone makes [µm], by the lens equation."""
        depth_mm = float(self.turn[2, 0] * x_mm + self.turn[2, 1] * y_mm)
        return 1000 * (self.lens.image_at_mm(self.lens.distance_mm + depth_mm) - self.lens.image_mm)

    def scale_px_per_mm(self, x_mm: float, y_mm: float) -> float:
        """Return how many pixels a millimetre of the chart takes near a place (the larger direction)."""
        x, y = self.to_px(x_mm, y_mm)
        right, below = self.to_px(x_mm + 1.0, y_mm), self.to_px(x_mm, y_mm + 1.0)
        return max(math.hypot(right[0] - x, right[1] - y), math.hypot(below[0] - x, below[1] - y))

    def inverse(self) -> NDArray[np.float64]:
        """Return what :func:`benchmarks.worlds.frames.chart.paint` needs to go from pixels back to the chart.

        Returns
        -------
        numpy.ndarray
            18 numbers: centre [px, 2], pitch [µm], sensor plane [height µm, slopes 2], exit pupil [µm],
            growth by breathing, distortion, half diagonal [µm], and the homography from the image [µm] to the
            chart [mm] (9, by rows).
        """
        return np.array(
            [
                (self.width - 1) / 2,
                (self.height - 1) / 2,
                self.pitch_um,
                self.z_um,
                *self.slopes,
                self.lens.exit_pupil_mm * 1000,
                1 + self.lens.growth * self.z_um,
                self.lens.distortion,
                self.half_diagonal_um,
                *np.linalg.inv(self.chart_to_image).ravel(),
            ]
        )

    def _on_image(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return the distorted place in the image plane [µm]; the distortion is solved by Newton's steps."""
        u, v, w = self.chart_to_image @ (x_mm, y_mm, 1.0)
        x, y = u / w, v / w
        radius = math.hypot(x, y) / self.half_diagonal_um
        bent = radius
        for _ in range(20):
            bent -= (bent * (1 + self.lens.distortion * bent**2) - radius) / (
                1 + 3 * self.lens.distortion * bent**2
            )
        scale = bent / radius if radius > 0 else 1.0
        return x * scale, y * scale
