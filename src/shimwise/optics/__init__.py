"""Optics of focus: distances to microns, blur, what lies between lens and sensor, flange depths by mount.

Pure functions; floats or arrays in, the same out. Sign of microns at the sensor: short < 0 < deep.
"""

from shimwise.optics.blur import (
    GREEN_UM,
    LARGEST_PHASE,
    depth_of_focus_mm,
    far_mm,
    hyperfocal_mm,
    near_mm,
    otf_defocus,
)
from shimwise.optics.conjugates import (
    extension_mm,
    front_magnification,
    landing_um,
    magnification,
    reading_mm,
)
from shimwise.optics.mounts import Mount, mounts
from shimwise.optics.stack import (
    LARGEST_CHANGE_K,
    Material,
    heat_change_um,
    material_named,
    materials,
    plate_shift_um,
)

__all__ = [
    "GREEN_UM",
    "LARGEST_CHANGE_K",
    "LARGEST_PHASE",
    "Material",
    "Mount",
    "depth_of_focus_mm",
    "extension_mm",
    "far_mm",
    "front_magnification",
    "heat_change_um",
    "hyperfocal_mm",
    "landing_um",
    "magnification",
    "material_named",
    "materials",
    "mounts",
    "near_mm",
    "otf_defocus",
    "plate_shift_um",
    "reading_mm",
]
