"""The swept coordinate in image space: microns of sensor position, whatever was moved.

Whether the sensor, the ring or the chart moves, the picture goes through the same focus. A ring at R with the
chart at D does what a sensor does that is f·(m(R) − m(D)) farther from the lens: exact where the picture
is sharp, and off there by a share m² in how fast the blur grows, which the fit's free f-number takes up.
"""

import math
from dataclasses import dataclass, replace

from shimwise.bench.sweep.moves import MOVED
from shimwise.errors import ImagingError
from shimwise.imaging.frames.listing import Coordinate
from shimwise.optics.conjugates import landing_um, magnification, reading_mm

USUAL_UM_PER_TURN = 245.0
"""Travel of a screw that is not known: the middle of its prior. [µm] Common practice, no source."""
LARGEST_MISFIT = 0.25
"""A picture whose scale is off by a larger share belongs to another lens, distance or print."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweptSpace:
    """How positions of a sweep become microns of sensor position.

    Attributes
    ----------
    coordinate : Coordinate
        What the positions count.
    focal_mm : float, optional
        Focal length; needed for a ring or a chart that moves.
    anchor_mm : float, optional
        What does not move: the chart's distance while the ring moves, the ring's reading while the chart
        moves; position 0 is where both agree.
    is_anchored : bool
        False when the anchor is only a place in the middle of the sweep: then there is no landing.
    separation_mm : float
        Separation of the principal planes.
    gain : float
        Square of the measured magnification by that of the formula: dz = m² dD (R. Kingslake, *Optics in
        Photography*, longitudinal magnification, from memory).
    um_per_turn : float, optional
        Travel for a turn, where the positions are turns of a screw. [µm]
    """

    coordinate: Coordinate
    focal_mm: float | None = None
    anchor_mm: float | None = None
    is_anchored: bool = True
    separation_mm: float = 0.0
    gain: float = 1.0
    um_per_turn: float | None = None

    @classmethod
    def of(
        cls,
        coordinate: Coordinate,
        positions: tuple[float, ...],
        *,
        focal_mm: float | None,
        fixed_mm: float | None,
        separation_mm: float = 0.0,
        um_per_turn: float | None = None,
    ) -> "SweptSpace":
        """Choose the anchor: what does not move where it is known, else the middle of the sweep.

        Raises
        ------
        ImagingError
            If a ring or a chart moves and the focal length is not known.
        """
        if coordinate is Coordinate.POSITION_UM:
            return cls(coordinate=coordinate)
        if coordinate is Coordinate.TURNS:
            travel_um = USUAL_UM_PER_TURN if um_per_turn is None else um_per_turn
            if not (travel_um > 0 and math.isfinite(travel_um)):
                raise ImagingError(f"A travel of {travel_um:g} µm a turn cannot be; it has to be above 0.")
            return cls(coordinate=coordinate, is_anchored=False, um_per_turn=travel_um)
        if focal_mm is None:
            raise ImagingError(
                f"A sweep of the {_MOVED[coordinate]} needs the lens's focal length: enter what a zoom is "
                "set to, with --focal, or as focal_mm in sweep.json."
            )
        middle = sorted(positions)[len(positions) // 2]
        return cls(
            coordinate=coordinate,
            focal_mm=focal_mm,
            anchor_mm=middle if fixed_mm is None else fixed_mm,
            is_anchored=fixed_mm is not None,
            separation_mm=separation_mm,
        )

    @property
    def moved(self) -> str:
        """What was moved: ``sensor``, ``ring``, ``chart`` or ``screw``."""
        return _MOVED[self.coordinate]

    def position_um(self, value: float) -> float:
        """Sensor position that does the same as this position [µm, + away from the lens].

        Raises
        ------
        OpticsError
            If a length lies inside the lens's near limit.
        """
        if self.um_per_turn is not None:
            return value * self.um_per_turn
        if self.focal_mm is None or self.anchor_mm is None:
            return value
        is_ring = self.coordinate is Coordinate.RING
        distance, reading = (self.anchor_mm, value) if is_ring else (value, self.anchor_mm)
        landing = landing_um(
            focal_mm=self.focal_mm,
            distance_mm=distance,
            reading_mm=reading,
            separation_mm=self.separation_mm,
        )
        return -self.gain * landing

    def value_mm(self, position_um: float) -> float | None:
        """Reading of the ring or distance of the chart at a position; inverse of :meth:`position_um`. [mm]"""
        if self.focal_mm is None or self.anchor_mm is None:
            return None
        sign = -1.0 if self.coordinate is Coordinate.RING else 1.0
        return float(
            reading_mm(
                focal_mm=self.focal_mm,
                distance_mm=self.anchor_mm,
                landing_um=sign * position_um / self.gain,
                separation_mm=self.separation_mm,
            )
        )

    def seen(self, measured_magnification: float | None) -> tuple["SweptSpace", str]:
        """Return this with the picture's own scale in place of the formula's, and a warning or none.

        Parameters
        ----------
        measured_magnification : float, optional
            Picture over chart where the position is 0.
        """
        if self.focal_mm is None or self.anchor_mm is None or measured_magnification is None:
            return self, ""
        if not math.isfinite(self.anchor_mm):
            return self, ""
        formula = magnification(
            focal_mm=self.focal_mm, distance_mm=self.anchor_mm, separation_mm=self.separation_mm
        )
        ratio = measured_magnification / formula
        report = (
            f"The picture shows the chart at a magnification of {measured_magnification:.4g}, focal length "
            f"and distance give {formula:.4g}"
        )
        if abs(ratio - 1.0) > LARGEST_MISFIT:
            return self, f"{report}: too far apart, so the formula is used. Check lens, distance and print."
        warning = f"{report}; the picture's is used. Check print scale and pixel pitch."
        return replace(self, gain=ratio**2), warning if abs(ratio - 1.0) > 0.03 else ""


_MOVED = {Coordinate(name): moved for moved, name in MOVED.items()}
