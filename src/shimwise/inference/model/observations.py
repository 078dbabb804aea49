"""From readings to observations: what repeats share, the optics that apply to them, and their landings.

A reading names a lens; its effective focal length, the separation of its principal planes and the uncertainty
of both come from the reading, the kit and, for a lens that focuses inside, the distance.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model.prep import Axis, FocusDesign, LensKnowledge, MeasuredLanding, Prep, Reading
from shimwise.lengths import mm_to_feet_text
from shimwise.notices import Notice
from shimwise.optics.conjugates import landing_um, magnification
from shimwise.optics.ring_setting import NEAR_MARK_MM

READING_SCALE_MM = 2.2
"""Scale of the Student-t error of reading a mark at 3 ft, its rounding to a quarter inch included; it grows
as D². [mm] Common practice, no source."""
INTERNAL_FOCUS_SHARE = 0.5
"""Relative sd of a landing at 3 ft of a lens that focuses inside, falling as 1/D (traced: −42 and +62 %)."""
SEPARATION_SHARE = 0.04
"""Relative sd of a landing at 3 ft when the separation of the principal planes is unknown, falling as 1/D."""

REMEMBERED = 2**15
"""Conversions that are kept: a house's readings repeat the same few thousand."""


class Observation(NamedTuple):
    """What repeats of one reading share: body, lens, stop, distance and person.

    ``focal_mm`` and ``separation_mm`` are those at this distance along this axis. ``setting_mm``: what a zoom
    is set to, None of other lenses.
    """

    body: str
    lens: str
    setup: str
    operator: str
    distance_mm: float
    focal_mm: float
    separation_mm: float
    fnumber: float
    axis: Axis | None
    conversion_share: float
    measured_sd_um: float | None = None
    setting_mm: float | None = None

    @property
    def magnification(self) -> float:
        """Magnification at the taped distance; 0 at infinity."""
        return _magnification(self.focal_mm, self.distance_mm, self.separation_mm)

    @property
    def m_times_distance_mm(self) -> float:
        """m·D, at infinity the focal length: a ring's error at the sensor grows with it."""
        return self.focal_mm if math.isinf(self.distance_mm) else self.magnification * self.distance_mm

    def landing_um(self, ring_mm: float) -> float:
        """Return the landing with the ring at a distance. [µm, short < 0 < deep]"""
        return _landing_um(self.focal_mm, self.distance_mm, ring_mm, self.separation_mm)

    @property
    def setting_um_per_mm(self) -> float:
        """Error at the sensor for a millimetre by which the ring is set off its mark at 3 ft; it grows as D².

        [µm/mm]
        """
        return 1e3 * (self.m_times_distance_mm / NEAR_MARK_MM) ** 2

    def reading_sd_um(self) -> float:
        """Return the error of reading the mark, rounding included, at the sensor. [µm]"""
        return READING_SCALE_MM * self.setting_um_per_mm


@lru_cache(maxsize=REMEMBERED)
def _magnification(focal_mm: float, distance_mm: float, separation_mm: float) -> float:
    return magnification(focal_mm=focal_mm, distance_mm=distance_mm, separation_mm=separation_mm)


@lru_cache(maxsize=REMEMBERED)
def _landing_um(focal_mm: float, distance_mm: float, ring_mm: float, separation_mm: float) -> float:
    return landing_um(
        focal_mm=focal_mm, distance_mm=distance_mm, reading_mm=ring_mm, separation_mm=separation_mm
    )


@dataclass(slots=True)
class ObservationContext:
    """What has to be known of all readings before one of them can become an observation."""

    prep: Prep
    zooms: set[str]
    widest: dict[str, float]
    setup_distances: dict[str, set[float]]
    mixed_stops: dict[str, set[float]]
    inside: set[str] = field(default_factory=set)
    unknown_separation: set[str] = field(default_factory=set)
    beyond_table: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, prep: Prep, readings: Iterable[Reading]) -> "ObservationContext":
        """Collect focal lengths, stops and set-ups of all readings, taken and possible."""
        focal_lengths: dict[str, set[float]] = defaultdict(set)
        fnumbers: dict[str, set[float]] = defaultdict(set)
        setups: dict[str, set[float]] = defaultdict(set)
        for reading in readings:
            focal_lengths[reading.lens].add(reading.focal_mm)
            fnumbers[reading.lens].add(reading.fnumber)
            setups[reading.setup].add(reading.distance_mm)
        zooms = {name for name, values in focal_lengths.items() if len(values) > 1}
        zooms |= {name for name, knowledge in prep.lenses.items() if len(knowledge.focal_lengths_mm) > 1}
        return cls(
            prep=prep,
            zooms=zooms,
            widest={lens: min(values) for lens, values in fnumbers.items()},
            setup_distances=setups,
            mixed_stops={lens: values for lens, values in fnumbers.items() if len(values) > 1},
        )

    def observation(self, reading: Reading) -> Observation:
        """Return the observation of a reading."""
        knowledge = self.prep.lenses.get(reading.lens, LensKnowledge())
        squeeze = reading.squeeze if reading.squeeze != 1.0 else knowledge.squeeze
        focal_mm, separation_mm, share = self._optics(reading, knowledge)
        axis = reading.axis if squeeze != 1.0 else None
        if axis is Axis.HORIZONTAL:
            focal_mm /= squeeze
        elif squeeze != 1.0 and axis is None:
            focal_mm /= math.sqrt(squeeze)  # judged on the whole picture: the mean of its two axes
        return Observation(
            body=reading.body,
            lens=reading.lens,
            setup=self.setup_name(reading),
            operator=reading.operator,
            distance_mm=reading.distance_mm,
            focal_mm=focal_mm,
            separation_mm=separation_mm,
            fnumber=reading.fnumber,
            axis=axis,
            conversion_share=share,
            setting_mm=reading.focal_mm if reading.lens in self.zooms else None,
        )

    def measured(self, landing: MeasuredLanding) -> Observation:
        """Return the observation of a measured landing, which needs no conversion."""
        return self.observation(landing.by_eye())._replace(conversion_share=0.0, measured_sd_um=landing.sd_um)

    def possible(self, one: Reading | MeasuredLanding, *, setting_sd_mm: float) -> Observation:
        """Return the observation of what could be taken; by picture with the ring set anew for it."""
        if not isinstance(one, MeasuredLanding):
            return self.observation(one)
        seen = self.measured(one)
        return seen._replace(measured_sd_um=math.hypot(one.sd_um, setting_sd_mm * seen.setting_um_per_mm))

    def setup_name(self, reading: Reading) -> str:
        """Return the name of the set-up, one taped distance; a name used at two distances becomes two."""
        name = reading.setup or f"{reading.body} at {mm_to_feet_text(reading.distance_mm)}"
        if reading.setup and len(self.setup_distances[reading.setup]) > 1:
            return f"{name} at {mm_to_feet_text(reading.distance_mm)}"
        return name

    def _optics(self, reading: Reading, knowledge: LensKnowledge) -> tuple[float, float, float]:
        """Return focal length, separation and the relative sd of the landing at 3 ft, at this distance."""
        if knowledge.by_distance:
            if reading.lens in self.zooms:
                raise InferenceError(
                    f"{reading.lens} is a zoom and has a by_distance table, which is for one focal length. "
                    "Remove the table, or name the lens once for each focal length."
                )
            return self._from_table(reading, knowledge.by_distance)
        known_mm = knowledge.separation_mm if reading.separation_mm is None else reading.separation_mm
        share = 0.0
        designs = (reading.focus_design, knowledge.focus_design)
        if reading.lens in self.zooms or FocusDesign.INTERNAL in designs:
            share = INTERNAL_FOCUS_SHARE
            self._note(self.inside, reading)
        elif known_mm is None:
            share = SEPARATION_SHARE
            self._note(self.unknown_separation, reading)
        return reading.focal_mm, known_mm or 0.0, share

    def _from_table(
        self, reading: Reading, table: Sequence[tuple[float, float, float]]
    ) -> tuple[float, float, float]:
        """Interpolate; beyond the rows the last one holds, as uncertain as a lens without a table."""
        distances = [row[0] for row in table]
        is_inside = min(distances) <= reading.distance_mm * (1 + 1e-6) and (
            reading.distance_mm <= max(distances) * (1 + 1e-6)
        )
        if not is_inside:
            self._note(self.beyond_table, reading)
        return *_at_distance(table, reading.distance_mm), 0.0 if is_inside else INTERNAL_FOCUS_SHARE

    def _note(self, lenses: set[str], reading: Reading) -> None:
        """Note a lens for a notice, unless the reading is only possible."""
        if reading.row >= 0:
            lenses.add(reading.lens)

    def notices(self) -> tuple[Notice, ...]:
        """Return what limits the conversion of the readings, and how they are pooled."""
        mixed = (
            Notice(
                "mixed_stops",
                lens,
                {"widest": min(fnumbers), "stops": ", ".join(f"f/{one:g}" for one in sorted(fnumbers))},
            )
            for lens, fnumbers in sorted(self.mixed_stops.items())
        )
        setups = (
            Notice("setup_distances", setup, {"count": float(len(distances))})
            for setup, distances in sorted(self.setup_distances.items())
            if setup and len(distances) > 1
        )
        of_lenses = (
            Notice(code, lens)
            for code, lenses in (
                ("internal_focus", self.inside),
                ("beyond_table", self.beyond_table),
                ("unknown_separation", self.unknown_separation),
            )
            for lens in sorted(lenses)
        )
        return (*mixed, *setups, *of_lenses)


def _at_distance(table: Sequence[tuple[float, float, float]], distance_mm: float) -> tuple[float, float]:
    """Return focal length and separation [mm] at a distance, linear in its inverse between the rows."""
    rows = sorted(table, key=lambda row: -row[0])
    inverse = [1 / row[0] for row in rows]
    focal, separation = (np.interp(1 / distance_mm, inverse, [row[i] for row in rows]) for i in (1, 2))
    return float(focal), float(separation)
