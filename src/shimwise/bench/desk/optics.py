"""The optician's slide rule: one function for each question about distances, blur, plates, heat and mounts.

Millimetres and microns in, a frozen value out; the fields are the keys that the doors print.
"""

import math
from dataclasses import dataclass

from shimwise.lengths import mm_to_feet_text
from shimwise.optics import blur, conjugates
from shimwise.optics.mounts import Mount as Mount
from shimwise.optics.mounts import mounts as mounts
from shimwise.optics.stack import heat_change_um as heat_change_um
from shimwise.optics.stack import plate_shift_um as plate_shift_um


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """A landing at the sensor [µm, short < 0 < deep] and the magnification at the taped distance."""

    landing_um: float
    magnification: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RingReading:
    """The reading of the lens scale: in mm from the sensor (infinite allowed) and as the trade writes it."""

    reading_mm: float
    reading_text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Depth:
    """Depth of field from the front principal plane [mm, far may be infinite] and at the sensor [mm]."""

    hyperfocal_mm: float
    near_mm: float
    far_mm: float
    magnification: float
    depth_of_focus_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """Contrast that passes, signed (negative is reversed), and its size."""

    otf: float
    mtf: float


def landing(*, focal_mm: float, distance_mm: float, reading_mm: float, separation_mm: float = 0.0) -> Landing:
    """Turn a reading into microns at the sensor.

    Parameters
    ----------
    focal_mm, separation_mm
        Focal length and separation of the principal planes [mm].
    distance_mm, reading_mm
        Taped distance and ring, both from the sensor plane [mm], infinite allowed.

    Raises
    ------
    OpticsError
        If a value is impossible, or a distance lies inside the near limit.
    """
    at_chart = conjugates.magnification(
        focal_mm=focal_mm, distance_mm=distance_mm, separation_mm=separation_mm
    )
    landing_um = conjugates.landing_um(
        focal_mm=focal_mm, distance_mm=distance_mm, reading_mm=reading_mm, separation_mm=separation_mm
    )
    return Landing(landing_um=landing_um, magnification=at_chart)


def ring_reading(
    *, focal_mm: float, distance_mm: float, landing_um: float, separation_mm: float = 0.0
) -> RingReading:
    """Return the ring's reading for an error at the sensor; arguments and errors as :func:`landing`."""
    reading_mm = conjugates.reading_mm(
        focal_mm=focal_mm, distance_mm=distance_mm, landing_um=landing_um, separation_mm=separation_mm
    )
    return RingReading(reading_mm=reading_mm, reading_text=mm_to_feet_text(reading_mm))


def depth(*, focal_mm: float, fnumber: float, coc_mm: float, distance_mm: float) -> Depth:
    """Return the depth of field and of focus; ``distance_mm`` runs from the front principal plane.

    Raises
    ------
    OpticsError
        If a value is impossible, or the distance is not beyond the focal length.
    """
    limits = {"focal_mm": focal_mm, "fnumber": fnumber, "coc_mm": coc_mm}
    at_subject = conjugates.front_magnification(focal_mm=focal_mm, object_mm=distance_mm)
    return Depth(
        hyperfocal_mm=blur.hyperfocal_mm(**limits),
        near_mm=blur.near_mm(**limits, distance_mm=distance_mm),
        far_mm=blur.far_mm(**limits, distance_mm=distance_mm),
        magnification=at_subject,
        depth_of_focus_mm=blur.depth_of_focus_mm(fnumber=fnumber, coc_mm=coc_mm, magnification=at_subject),
    )


def contrast(
    *, fnumber: float, frequency_cy_mm: float, defocus_um: float, wavelength_um: float = blur.GREEN_UM
) -> Contrast:
    """Return what contrast a perfect lens passes out of focus.

    Raises
    ------
    OpticsError
        If a value is impossible.
    """
    otf = blur.otf_defocus(
        fnumber=fnumber, frequency_cy_mm=frequency_cy_mm, defocus_um=defocus_um, wavelength_um=wavelength_um
    )
    return Contrast(otf=otf, mtf=math.fabs(otf))
