"""From readings to sights: what repeats share, with the optics in force, and the landings they give.

A reading names a lens; its effective focal length, separation of the principal planes and the trust in both
come from the reading, the kit and, for a lens that focuses inside, the distance.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model import linear as priors
from shimwise.inference.model.linear import FloatArray, IntArray
from shimwise.inference.model.prep import Axis, FocusDesign, LensKnowledge, Prep, Reading
from shimwise.lengths import mm_to_feet_text
from shimwise.notices import Notice
from shimwise.optics import landing_um, magnification


class Sight(NamedTuple):
    """What readings share when they are repeats of each other: who looked at what, through what, how far.

    ``focal_mm`` and ``separation_mm`` are those in force at this distance along this axis.
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


@dataclass(slots=True)
class SightMaker:
    """What must be known of all readings before one of them can become a sight."""

    prep: Prep
    zooms: set[str]
    widest: dict[str, float]
    setup_distances: dict[str, set[float]]
    mixed_stops: dict[str, set[float]]
    inside: set[str] = field(default_factory=set)
    unknown_separation: set[str] = field(default_factory=set)
    beyond_table: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, prep: Prep, readings: Iterable[Reading]) -> "SightMaker":
        """Take note of all readings, taken and possible."""
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

    def sight(self, reading: Reading) -> Sight:
        """Sight of one reading."""
        knowledge = self.prep.lenses.get(reading.lens, LensKnowledge())
        squeeze = reading.squeeze if reading.squeeze != 1.0 else knowledge.squeeze
        focal_mm, separation_mm, share = self._optics(reading, knowledge)
        axis = reading.axis if squeeze != 1.0 else None
        if axis is Axis.HORIZONTAL:
            focal_mm /= squeeze
        elif squeeze != 1.0 and axis is None:
            focal_mm /= math.sqrt(squeeze)  # judged on the whole picture: between its two axes
        return Sight(
            body=reading.body,
            lens=reading.lens,
            setup=self.setup_name(reading),
            operator=reading.operator,
            distance_mm=reading.distance_mm,
            focal_mm=focal_mm,
            separation_mm=separation_mm,
            fnumber=reading.fnumber,
            axis=axis,
            conversion_share=0.0 if reading.measured_um is not None else share,
            measured_sd_um=reading.measured_sd_um,
        )

    def setup_name(self, reading: Reading) -> str:
        """Name of the set-up: one taped distance, whatever bodies stand there in turn.

        A name that is used at two distances stands for two.
        """
        name = reading.setup or f"{reading.body} at {_distance_text(reading.distance_mm)}"
        if reading.setup and len(self.setup_distances[reading.setup]) > 1:
            return f"{name} at {_distance_text(reading.distance_mm)}"
        return name

    def _optics(self, reading: Reading, knowledge: LensKnowledge) -> tuple[float, float, float]:
        """Focal length, separation and the share by which the landing may be off, at this distance."""
        if knowledge.by_distance:
            if reading.lens in self.zooms:
                raise InferenceError(
                    f"{reading.lens} is a zoom and has a by_distance table, which is for one focal length. "
                    "Remove the table, or name the lens once for each focal length."
                )
            return self._from_table(reading, knowledge.by_distance)
        known_mm = knowledge.separation_mm if reading.separation_mm is None else reading.separation_mm
        share = 0.0
        if self._focuses_inside(reading, knowledge):
            share = priors.INTERNAL_FOCUS_SHARE
            self._note(self.inside, reading)
        elif known_mm is None:
            share = priors.SEPARATION_SHARE
            self._note(self.unknown_separation, reading)
        return reading.focal_mm, known_mm or 0.0, share

    def _from_table(
        self, reading: Reading, table: Sequence[tuple[float, float, float]]
    ) -> tuple[float, float, float]:
        """As the table says; beyond its last rows these hold, and are trusted as little as no table."""
        distances = [row[0] for row in table]
        is_inside = min(distances) <= reading.distance_mm * (1 + 1e-6) and (
            reading.distance_mm <= max(distances) * (1 + 1e-6)
        )
        if not is_inside:
            self._note(self.beyond_table, reading)
        return *_at_distance(table, reading.distance_mm), 0.0 if is_inside else priors.INTERNAL_FOCUS_SHARE

    def _note(self, lenses: set[str], reading: Reading) -> None:
        """Note a lens to warn of, unless frames measured the landing, or the reading is only possible."""
        if reading.measured_um is None and reading.row >= 0:
            lenses.add(reading.lens)

    def _focuses_inside(self, reading: Reading, knowledge: LensKnowledge) -> bool:
        design = (reading.focus_design, knowledge.focus_design)
        return reading.lens in self.zooms or FocusDesign.INTERNAL in design

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


def distinct(sights: Iterable[Sight]) -> tuple[list[Sight], IntArray]:
    """Distinct sights in order of first use, and which of them each reading is."""
    order: dict[Sight, int] = {}
    index = [order.setdefault(sight, len(order)) for sight in sights]
    return list(order), np.array(index, dtype=np.intp)


def landings_um(sights: Sequence[Sight], pattern: IntArray, readings: Sequence[Reading]) -> FloatArray:
    """Landing of each reading, shape (n,). [µm, short < 0 < deep]"""
    if not sights:
        return np.zeros(0)
    focal, distance, separation = (
        np.array([getattr(sight, name) for sight in sights])[pattern]
        for name in ("focal_mm", "distance_mm", "separation_mm")
    )
    by_eye = np.array([reading.measured_um is None for reading in readings])
    landings = np.array([reading.measured_um or 0.0 for reading in readings])
    landings[by_eye] = landing_um(
        focal_mm=focal[by_eye],
        distance_mm=distance[by_eye],
        reading_mm=np.array([reading.reading_mm for reading in readings])[by_eye],
        separation_mm=separation[by_eye],
    )
    return landings


def reading_sd_um(sights: Sequence[Sight]) -> FloatArray:
    """Error of reading the mark, at the sensor: growing as D² it is m²·D², finite at infinity. [µm]

    Of a landing that frames measured, its own standard uncertainty. Shape as ``sights``.
    """
    return np.array([_reading_sd_um(s) if s.measured_sd_um is None else s.measured_sd_um for s in sights])


def _reading_sd_um(s: Sight) -> float:
    if math.isinf(s.distance_mm):
        m_times_distance = s.focal_mm
    else:
        m = magnification(focal_mm=s.focal_mm, distance_mm=s.distance_mm, separation_mm=s.separation_mm)
        m_times_distance = m * s.distance_mm
    return 1e3 * priors.READING_SCALE_MM * (m_times_distance / priors.NEAR_MARK_MM) ** 2


def _at_distance(table: Sequence[tuple[float, float, float]], distance_mm: float) -> tuple[float, float]:
    """Focal length and separation [mm] at a distance, linear in its inverse between the table's rows."""
    rows = sorted(table, key=lambda row: -row[0])
    inverse = [1 / row[0] for row in rows]
    focal, separation = (np.interp(1 / distance_mm, inverse, [row[i] for row in rows]) for i in (1, 2))
    return float(focal), float(separation)


def _distance_text(distance_mm: float) -> str:
    return mm_to_feet_text(distance_mm)
