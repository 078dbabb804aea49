"""The camera, lens and distance that a chart is made for, and what a millimetre of it is in the picture."""

import math
from dataclasses import dataclass

from shimwise.errors import SheetError
from shimwise.optics.conjugates import magnification

MARKER_MODULES = 6
SAFE_BLUR_MODULES = 0.7
"""Blur disc up to which a marker is still found, in modules of the marker."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """The camera that a chart is made for.

    Attributes
    ----------
    focal_mm : float
        Focal length, mm.
    distance_mm : float
        Witness mark to chart, mm.
    sensor_mm : tuple of float
        Width and height of the picture on the sensor, mm.
    pitch_um : float
        Pixel pitch, µm.
    fnumber : float
        Nominal focal ratio.

    Raises
    ------
    SheetError
        If a value is not above 0 or beyond what cameras have, or the distance is infinite.
    OpticsError
        If the distance is inside the lens's near limit.
    """

    focal_mm: float
    distance_mm: float
    sensor_mm: tuple[float, float]
    pitch_um: float
    fnumber: float

    def __post_init__(self) -> None:
        _check("focal length", self.focal_mm, 1, 5000, "mm")
        _check("sensor's width", self.sensor_mm[0], 1, 250, "mm")
        _check("sensor's height", self.sensor_mm[1], 1, 250, "mm")
        _check("pixel pitch", self.pitch_um, 0.5, 50, "µm")
        _check("f-number", self.fnumber, 0.5, 64, "")
        if math.isinf(self.distance_mm):
            raise SheetError(
                "A chart at infinity has no size on a sheet; give the distance at which it will stand."
            )
        _ = self.magnification

    @property
    def magnification(self) -> float:
        """Size of the picture over the size of the chart."""
        return float(magnification(focal_mm=self.focal_mm, distance_mm=self.distance_mm))

    @property
    def pixel_mm(self) -> float:
        """Length that one pixel covers on the sheet, mm."""
        return 1e-3 * self.pitch_um / self.magnification

    @property
    def view_mm(self) -> tuple[float, float]:
        """Width and height of what the picture covers at the sheet, mm."""
        return self.sensor_mm[0] / self.magnification, self.sensor_mm[1] / self.magnification

    def marker_mm(self, defocus_um: float) -> float:
        """Side of a marker that is still found ``defocus_um`` away from best focus, mm on the sheet."""
        return MARKER_MODULES * 1e-3 * defocus_um / self.fnumber / SAFE_BLUR_MODULES / self.magnification

    def marker_defocus_um(self, side_mm: float) -> float:
        """Defocus up to which a marker of this side is found, µm: its blur disc is 0.7 of a module."""
        return 1e3 * SAFE_BLUR_MODULES * side_mm / MARKER_MODULES * self.magnification * self.fnumber


def _check(name: str, value: float, low: float, high: float, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise SheetError(
            f"The {name} is {value:g} {unit}".rstrip() + f"; give {low:g} to {high:g} {unit}".rstrip() + "."
        )
