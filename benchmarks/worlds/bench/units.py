"""Bodies, lenses and set-ups with the errors that they can have."""

import math
from dataclasses import dataclass, field

from benchmarks.worlds.bench.glass import Glass, InnerFocus
from benchmarks.worlds.bench.marks import Unit, engraved_mm

ALUMINIUM_PER_KELVIN = 23.1e-6
"""Linear expansion of aluminium [1/K]; from memory, near 20 °C."""
FLANGE_DEPTH_MM = 52.0
"""Nominal flange depth of the mount [mm]: common practice, no source."""
UM_PER_KELVIN = FLANGE_DEPTH_MM * 1000 * ALUMINIUM_PER_KELVIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A camera body.

    Attributes
    ----------
    flange_error_um
        Actual minus nominal flange depth, warm [µm]: too deep > 0.
    mark_ahead_mm
        How far the witness mark lies before the sensor, towards the lens [mm]: tapes from it come out short.
    cold_kelvin
        How much colder than at work the body is when the prep begins [K].
    warm_up_min
        Time in which that falls to 1/e [min].
    """

    name: str
    flange_error_um: float = 0.0
    mark_ahead_mm: float = 0.0
    cold_kelvin: float = 0.0
    warm_up_min: float = 25.0

    def flange_error_at_um(self, minutes: float) -> float:
        """Return the flange error after ``minutes`` of the prep [µm]; a cold body is too short."""
        cold = self.cold_kelvin * math.exp(-minutes / self.warm_up_min)
        return self.flange_error_um - cold * UM_PER_KELVIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Focal:
    """One focal length of a lens: what is engraved, the glass, and its own landing beside the lens's [µm]."""

    engraved_mm: float
    glass: Glass
    tracking_um: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A lens: a prime has one :class:`Focal`, a zoom several.

    Attributes
    ----------
    flange_error_um
        Landing that the lens causes on a true body, at infinity too [µm].
    scale_permille
        Extension beyond what the marks say [‰]: nothing at infinity.
    set_name
        The set it travels in.
    squeeze
        1, or of an anamorphic the squeeze: its horizontal focal length is shorter by it.
    horizontal_um
        Landing of the horizontal axis beside the vertical's [µm].
    is_known_internal
        Whether the kit names it as focusing internally.
    """

    name: str
    focals: tuple[Focal, ...]
    f_number: float
    flange_error_um: float = 0.0
    scale_permille: float = 0.0
    set_name: str = "Set P"
    unit: Unit = "ft"
    squeeze: float = 1.0
    horizontal_um: float = 0.0
    is_known_internal: bool = False
    throw_deg: float = 280.0
    marks_mm: tuple[float, ...] = field(default=())

    @property
    def is_zoom(self) -> bool:
        """Whether the lens has several focal lengths."""
        return len(self.focals) > 1

    def marks(self, focal: Focal) -> tuple[float, ...]:
        """Return the engraved marks [mm], nearest first, infinity last."""
        return self.marks_mm or engraved_mm(focal.engraved_mm, unit=self.unit)

    def landing_um(self, focal: Focal, axis: str = "") -> float:
        """Return the landing that the lens causes on a true body at infinity [µm]."""
        sideways = self.horizontal_um if axis == "horizontal" else 0.0
        return self.flange_error_um + focal.tracking_um + sideways


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUp:
    """A body and a chart taped at one distance; the chart is ``true_minus_taped_mm`` farther than taped."""

    name: str
    body: str
    taped_mm: float
    true_minus_taped_mm: float = 0.0


def prime(
    name: str,
    *,
    focal_mm: float,
    f_number: float = 2.0,
    true_focal_mm: float | None = None,
    separation_mm: float = 0.0,
    inner: InnerFocus | None = None,
    marks_cut_for_mm: float | None = None,
    flange_error_um: float = 0.0,
    scale_permille: float = 0.0,
    set_name: str = "Set P",
    unit: Unit = "ft",
    is_known_internal: bool = False,
) -> Lens:
    """Return a prime lens; ``true_focal_mm`` where the glass is not what the barrel names."""
    glass = Glass(
        focal_mm=true_focal_mm or focal_mm,
        separation_mm=separation_mm,
        near_mm=engraved_mm(focal_mm, unit=unit)[0],
        inner=inner,
        marks_cut_for_mm=marks_cut_for_mm,
    )
    return Lens(
        name=name,
        focals=(Focal(engraved_mm=focal_mm, glass=glass),),
        f_number=f_number,
        flange_error_um=flange_error_um,
        scale_permille=scale_permille,
        set_name=set_name,
        unit=unit,
        is_known_internal=is_known_internal,
    )
