"""Settings and result of a sweep."""

import math
from dataclasses import asdict, dataclass
from typing import Any

from shimwise.errors import ImagingError
from shimwise.imaging.chart.pose import Pose
from shimwise.imaging.focus.flags import Raised
from shimwise.imaging.focus.peak import BAND_CY_MM, PeakFit
from shimwise.imaging.focus.tilt import FieldFit
from shimwise.imaging.star.ring_data import RingData
from shimwise.optics.blur import GREEN_UM

SCHEMA = "shimwise.sweep/2"


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSettings:
    """What must be known of the camera and the lens to measure a sweep.

    Attributes
    ----------
    pitch_um : float
        Pixel pitch, µm.
    fnumber : float
        Nominal focal ratio.
    focal_mm : float, optional
        Focal length; without it the chart's own turn stays in the tilt, with a flag.
    wavelengths_um : tuple of float
        Wavelengths of equal weight, µm.
    band_cy_mm : tuple of float
        The band whose mean transfer's peak is reported, cycles/mm.
    white_level, black_level : float
        Linear values at or beyond which a pixel is clipped.
    channel : {"luma", "green", "grey"}
        Which channel the frames hold.
    is_predicted : bool
        Whether frames are of a clip that keeps what changes between them.
    may_slip : bool
        Whether a frame may be missing or doubled; not where positions were measured from the very pictures.
    sensor_swept : bool
        True when position 0 is the sensor's present place and + is away from the lens: then the result
        has a landing.
    """

    pitch_um: float
    fnumber: float
    focal_mm: float | None = None
    wavelengths_um: tuple[float, ...] = (GREEN_UM,)
    band_cy_mm: tuple[float, float] = BAND_CY_MM
    white_level: float = 1.0
    black_level: float = -math.inf
    sensor_swept: bool = True
    channel: str = "grey"
    is_predicted: bool = False
    may_slip: bool = True

    def __post_init__(self) -> None:
        for name, value in (
            ("pitch_um", self.pitch_um),
            ("fnumber", self.fnumber),
            ("focal_mm", self.focal_mm),
        ):
            if value is not None and not (math.isfinite(value) and value > 0):
                raise ImagingError(f"{name} is {value}; give a number above 0.")
        low, high = self.band_cy_mm
        if not 0 <= low < high:
            raise ImagingError(
                f"The band {low} to {high} cycles/mm is empty; give the lower frequency first."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class StarPeak:
    """A star's place, its peak as measured (the chart's turn not removed) and the fit behind it.

    ``sagittal_um`` is the peak of lines along the field's radius, ``tangential_um`` of lines across it; None
    at the frame's centre, where there is no radius.
    """

    id: str
    x_px: float
    y_px: float
    best_um: float
    sd_um: float
    sagittal_um: float | None
    tangential_um: float | None
    chart_share_um: float
    fit: PeakFit
    data: RingData


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Another reading of the same frames: its best focus with its 95 % interval, µm.

    ``code`` is ``as_recorded``, ``frame_missing`` or ``frame_doubled`` where the frames cannot settle whether
    the positions slipped; ``green`` or ``luma`` for another channel of the pictures.
    """

    best_um: float
    low_um: float
    high_um: float
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepResult:
    """Result of a sweep. ``best_um`` is None where a flag withholds it.

    ``alternatives`` holds other readings: both where a slip is only possible.
    """

    best_um: float | None
    sd_um: float | None
    low_um: float | None
    high_um: float | None
    band_cy_mm: tuple[float, float]
    w040_waves: float | None
    stars: tuple[StarPeak, ...]
    field: FieldFit | None
    pose: Pose | None
    magnification: float | None
    landing_um: float | None
    flags: tuple[Raised, ...]
    channel: str = "grey"
    alternatives: tuple[Alternative, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the result as ``shimwise.sweep/2``."""
        tilt_x, tilt_y = (self.field.tilt_x, self.field.tilt_y) if self.field else (None, None)
        return {
            "schema": SCHEMA,
            "best_um": self.best_um,
            "sd_um": self.sd_um,
            "low_um": self.low_um,
            "high_um": self.high_um,
            "band_cy_mm": list(self.band_cy_mm),
            "w040_waves": self.w040_waves,
            "stars": [
                {
                    key: getattr(star, key)
                    for key in ("id", "x_px", "y_px", "best_um", "sd_um", "sagittal_um", "tangential_um")
                }
                for star in self.stars
            ],
            "tilt": {
                "x_um": tilt_x.value_um if tilt_x else None,
                "x_sd_um": tilt_x.sd_um if tilt_x else None,
                "y_um": tilt_y.value_um if tilt_y else None,
                "y_sd_um": tilt_y.sd_um if tilt_y else None,
                "chart_yaw_deg": self.pose.yaw_deg if self.pose else None,
                "chart_pitch_deg": self.pose.pitch_deg if self.pose else None,
            },
            "magnification": self.magnification,
            "landing_um": self.landing_um,
            "channel": self.channel,
            "alternatives": [asdict(one) for one in self.alternatives],
            "flags": [str(flag) for flag in self.flags],
            "notices": [flag.to_json() for flag in self.flags],
        }
