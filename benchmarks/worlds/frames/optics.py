"""A lens as a wavefront over its exit pupil; every aberration is a switch that is off by default.

Sources: J. W. Goodman, *Introduction to Fourier Optics* (aberrations and the optical transfer function);
H. H. Hopkins, "The frequency response of a defocused optical system", Proc. R. Soc. A 231 (1955) 91;
M. Born & E. Wolf, *Principles of Optics* (path of a displaced focus, primary aberrations, sine condition).
All three are cited from memory.

Axes: x right, y down in the picture as displayed; z along the axis, + away from the lens. A *field* is a
place in the picture divided by half the picture's diagonal, (0, 0) at its centre.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

REFERENCE_UM = 0.55
GREEN_ONLY = (("grey", ((REFERENCE_UM, 1.0),)),)
WHITE = (
    (
        "grey",
        (
            (0.43, 0.35),
            (0.46, 0.7),
            (0.49, 0.9),
            (0.52, 1.0),
            (0.55, 1.0),
            (0.58, 0.95),
            (0.61, 0.8),
            (0.64, 0.5),
        ),
    ),
)
THREE_COLOURS = (
    ("red", ((0.59, 0.6), (0.61, 1.0), (0.64, 0.6))),
    ("green", ((0.51, 0.7), (0.54, 1.0), (0.57, 0.6))),
    ("blue", ((0.44, 0.6), (0.465, 1.0), (0.49, 0.5))),
)
LUMA = {"red": 0.2126, "green": 0.7152, "blue": 0.0722}
"""Rec. ITU-R BT.709 weights of luma."""

type_spectrum = tuple[tuple[str, tuple[tuple[float, float], ...]], ...]


@dataclass(frozen=True)
class Lens:
    """A lens and its faults.

    Parameters
    ----------
    fnumber
        Working f-number N; the edge of the cone has sin U = 1 / (2 N) (sine condition, small magnification).
    focal_mm, distance_mm
        Focal length, and object distance from the front principal plane, both > 0 [mm].
    exit_pupil_mm
        From the exit pupil to the image [mm, > 0]: the picture grows as (E + z) / E.
    growth
        Extra growth of the picture per µm of focus (breathing) [1/µm], such as 1e-4 for 1 % over 100 µm.
    spectrum
        Channels, each a tuple of (wavelength [µm], weight); weights are normalised in each channel.
    colour_um, colour_tilt_um
        Focus of wavelength λ against .55 µm: colour_um ((λ − .55) / .1)² + colour_tilt_um (λ − .55) / .1
        [µm].
    spherical_waves, spherical6_waves
        W040 and W060 at the edge of the pupil, in waves of .55 µm; the same in the whole field.
    coma_axis_waves, coma_axis_deg
        Coma of a decentred element, the same in the whole field: W131 [waves] and its direction.
    coma_field_waves, astigmatism_field_waves, curvature_field_um
        At field 1: W131 growing as h, W222 (about its mean) as h² [waves]; focus of the mean image surface
        as h² [µm].
    axis_split_um
        Focus of the horizontal meridian minus that of the vertical [µm] (an anamorphic lens).
    cat_eye
        At field 1, how far the pupil is cut from the side, as a part of its radius (0 is not at all).
    falloff
        Part of the light lost at field 1, growing as h².
    distortion
        Undistorted = distorted (1 + distortion h²): > 0 is a barrel.
    is_apodised
        Whether amplitude follows the sine condition, cos(u)^−1/2.
    """

    fnumber: float = 2.0
    focal_mm: float = 25.0
    distance_mm: float = 1175.0
    exit_pupil_mm: float = 80.0
    growth: float = 0.0
    spectrum: type_spectrum = GREEN_ONLY
    colour_um: float = 0.0
    colour_tilt_um: float = 0.0
    spherical_waves: float = 0.0
    spherical6_waves: float = 0.0
    coma_axis_waves: float = 0.0
    coma_axis_deg: float = 0.0
    coma_field_waves: float = 0.0
    astigmatism_field_waves: float = 0.0
    curvature_field_um: float = 0.0
    axis_split_um: float = 0.0
    cat_eye: float = 0.0
    falloff: float = 0.0
    distortion: float = 0.0
    is_apodised: bool = False

    @cached_property
    def sin_edge(self) -> float:
        """Sine of the half angle of the cone."""
        return 0.5 / self.fnumber

    @property
    def is_alike_everywhere(self) -> bool:
        """Whether the wavefront, curvature aside, is the same in the whole field."""
        return not (self.coma_field_waves or self.astigmatism_field_waves or self.cat_eye)

    @property
    def image_mm(self) -> float:
        """From the rear principal plane to the sharp image [mm]."""
        return self.image_at_mm(self.distance_mm)

    @property
    def magnification(self) -> float:
        """Size of the image over that of the chart, > 0."""
        return self.image_mm / self.distance_mm

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels."""
        return tuple(name for name, _ in self.spectrum)

    def image_at_mm(self, distance_mm: float) -> float:
        """Return the image distance of an object [mm], by 1/s + 1/s' = 1/f."""
        return self.focal_mm * distance_mm / (distance_mm - self.focal_mm)

    def focus_of_wavelength_um(self, wavelength_um: float) -> float:
        """Return the focus of a wavelength against that of .55 µm [µm]."""
        step = (wavelength_um - REFERENCE_UM) / 0.1
        return self.colour_um * step**2 + self.colour_tilt_um * step

    def curvature_um(self, field: tuple[float, float]) -> float:
        """Return the height of the mean image surface at a place in the picture [µm]."""
        return self.curvature_field_um * (field[0] ** 2 + field[1] ** 2)

    def focus_path(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the path added by each µm of defocus at the pupil's places: 1 − cos u, exact for any cone.

        Parameters
        ----------
        x, y
            Places in the pupil as parts of its radius: sin u = r sin U.
        """
        sine_squared = np.minimum((x**2 + y**2) * self.sin_edge**2, 1.0)
        return sine_squared / (1.0 + np.sqrt(1.0 - sine_squared))

    def aberration_um(
        self, x: NDArray[np.float64], y: NDArray[np.float64], field: tuple[float, float]
    ) -> NDArray[np.float64]:
        """Return the wavefront without defocus and curvature [µm]: Seidel terms and the axis split."""
        square = x**2 + y**2
        height = float(np.hypot(*field))
        radial = (field[0] / height, field[1] / height) if height > 0 else (1.0, 0.0)
        along = x * radial[0] + y * radial[1]
        turn = np.radians(self.coma_axis_deg)
        waves = self.spherical_waves * square**2 + self.spherical6_waves * square**3
        waves += self.coma_axis_waves * square * (x * np.cos(turn) + y * np.sin(turn))
        waves += self.coma_field_waves * height * square * along
        waves += self.astigmatism_field_waves * height**2 * (along**2 - square / 2)
        split = np.where(square > 0, (x**2 - y**2) / np.where(square > 0, square, 1.0), 0.0)
        return waves * REFERENCE_UM - 0.5 * self.axis_split_um * split * self.focus_path(x, y)

    def amplitude(
        self, x: NDArray[np.float64], y: NDArray[np.float64], field: tuple[float, float]
    ) -> NDArray[np.float64]:
        """Return the amplitude that passes: the round stop, cut by a second rim away from the axis."""
        passes = (x**2 + y**2 <= 1.0) & (
            (x + self.cat_eye * field[0]) ** 2 + (y + self.cat_eye * field[1]) ** 2 <= 1.0
        )
        if not self.is_apodised:
            return passes.astype(float)
        return passes * (1.0 - np.minimum((x**2 + y**2) * self.sin_edge**2, 0.99)) ** -0.25
