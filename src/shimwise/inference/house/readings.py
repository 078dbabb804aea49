"""All readings of a house as arrays: which unit, tape and person, and the interval of each landing."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.house.setting_spread import SettingSpread, setting_spread
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.observations import Observation, ObservationContext
from shimwise.inference.model.prep import MeasuredLanding, Prep, Reading
from shimwise.inference.model.priors import Priors
from shimwise.inference.model.rounding import cells_of_record, landing_intervals
from shimwise.optics.ring_setting import NEAR_MARK_MM

Figures = tuple[float, float, float, float, float, float, float, float]
_ROW = ("body", "lens", "person", "prep", "tape")
_FIGURES = ("distance_mm", "scale_um", "tape_um", "blur_um", "ring_um", "other_um", "low_um", "high_um")
"""Columns of what is collected of each reading."""
AXIS_SD_UM = 8.0
"""How far the axes of an anamorphic land from their mean: uncertainty of a reading along one. [µm]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedPrep:
    """A signed prep of a house: when it was read [d, from any zero], its readings, its lenses' sets."""

    days: float
    prep: Prep
    set_of_lens: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A gauge value of a body at a prep, or of a lens. [µm]"""

    kind: Kind
    unit: int
    prep: int
    value_um: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseReadings:
    """All readings of a house, (n,) arrays by reading; indices point into the tuples of names.

    ``person`` is −1 where frames measured; ``tape`` counts the taped distances; ``days`` (preps,) when each
    prep was; ``set_of_lens`` (lenses,), −1 without; ``distance_mm`` as taped. ``scale_um`` µm of landing per
    ‰, ``tape_um`` per mm of tape, ``blur_um`` N·c; ``ring_um`` the error's scale from reading the ring, as
    assumed before a house teaches it, ``other_um`` the rest of it; ``low_um`` and ``high_um`` the interval.
    ``setting``: how exactly rings are set to their marks, by repeats by picture.
    """

    bodies: tuple[str, ...]
    lenses: tuple[str, ...]
    sets: tuple[str, ...]
    persons: tuple[str, ...]
    days: FloatArray
    set_of_lens: IntArray
    body: IntArray
    lens: IntArray
    person: IntArray
    prep: IntArray
    tape: IntArray
    distance_mm: FloatArray
    scale_um: FloatArray
    tape_um: FloatArray
    blur_um: FloatArray
    ring_um: FloatArray
    other_um: FloatArray
    low_um: FloatArray
    high_um: FloatArray
    gauges: tuple[Gauge, ...] = ()
    setting: SettingSpread | None = None


def readings_of_house(preps: Sequence[SignedPrep]) -> HouseReadings:
    """Return the readings of signed preps; those stopped down are left out, since focus shifts with the stop.

    Rounding is inferred per person and distance from all preps together.
    """
    collected = _Collected(Priors())
    collected.learn_rounding(preps)
    for number, one in enumerate(sorted(preps, key=lambda prep: prep.days)):
        collected.add(number, one)
    setting = setting_spread((one.prep for one in preps), usual_mm=collected.priors.setting_sd_mm)
    return replace(collected.readings(), setting=setting)


class _Collected:
    def __init__(self, priors: Priors) -> None:
        self.priors = priors
        self.names: dict[str, dict[str, int]] = defaultdict(dict)
        self.tapes: dict[tuple[int, str, str], int] = {}
        self.set_of: dict[int, int] = {}
        self.days: list[float] = []
        self.rows: list[tuple[int, int, int, int, int]] = []
        self.figures: list[Figures] = []
        self.gauges: list[Gauge] = []
        self.cells: dict[str, dict[float, tuple[float, float]]] = {}
        self.repeats: Counter[tuple[str, float, str]] = Counter()

    def learn_rounding(self, preps: Sequence[SignedPrep]) -> None:
        written: dict[str, list[float]] = defaultdict(list)
        for one in preps:
            for reading in one.prep.readings:
                written[reading.operator].append(reading.reading_mm)
        self.cells = {person: cells_of_record(person, np.array(all_)) for person, all_ in written.items()}

    def add(self, number: int, signed: SignedPrep) -> None:
        prep = signed.prep
        self.days.append(signed.days)
        self.repeats = Counter((one.lens, one.distance_mm, one.setting) for one in prep.landings)
        context = ObservationContext.of(prep, [*prep.readings, *(one.by_eye() for one in prep.landings)])
        taken = [*map(context.observation, prep.readings), *map(context.measured, prep.landings)]
        marked = prep.marks_mm
        cell_of = {
            one.row: self.cells[one.operator][one.reading_mm]
            for one in prep.readings
            if one.lens not in marked
        }
        low, high, _ = landing_intervals(prep.evidence, taken, marks_mm=marked, cell_mm_of_row=cell_of)
        for i, (reading, seen) in enumerate(zip(prep.evidence, taken, strict=True)):
            if seen.fnumber > context.widest[seen.lens]:
                continue
            lens = self._index("lens", seen.lens)
            if seen.lens in signed.set_of_lens:
                self.set_of[lens] = self._index("set", signed.set_of_lens[seen.lens])
            person = self._index("person", seen.operator) if isinstance(reading, Reading) else -1
            tape = self.tapes.setdefault((number, seen.body, seen.setup), len(self.tapes))
            self.rows.append((self._index("body", seen.body), lens, person, number, tape))
            self.figures.append(self._figures(prep, reading, seen, float(low[i]), float(high[i])))
        self._add_gauges(number, prep)

    def readings(self) -> HouseReadings:
        rows = np.array(self.rows, dtype=np.intp).reshape(-1, len(_ROW))
        figures = np.array(self.figures, dtype=np.float64).reshape(-1, len(_FIGURES))
        columns: dict[str, Any] = dict(zip((*_ROW, *_FIGURES), (*rows.T, *figures.T), strict=True))
        lenses = tuple(self.names["lens"])
        return HouseReadings(
            bodies=tuple(self.names["body"]),
            lenses=lenses,
            sets=tuple(self.names["set"]),
            persons=tuple(self.names["person"]),
            days=np.array(self.days),
            set_of_lens=np.array([self.set_of.get(i, -1) for i in range(len(lenses))], dtype=np.intp),
            **columns,
            gauges=tuple(self.gauges),
        )

    def _index(self, kind: str, name: str) -> int:
        return self.names[kind].setdefault(name, len(self.names[kind]))

    def _figures(
        self, prep: Prep, reading: Reading | MeasuredLanding, seen: Observation, low: float, high: float
    ) -> Figures:
        m = seen.magnification
        if isinstance(reading, MeasuredLanding):
            setting_um = self.priors.setting_sd_mm * seen.setting_um_per_mm if reading.setting else 0.0
            # Repeats of a setting share its error: with n times the variance each, their mean has it whole.
            times = self.repeats[reading.lens, reading.distance_mm, reading.setting] ** 0.5
            blur, ring, other = 0.0, 0.0, float(np.hypot(seen.measured_sd_um or 1.0, times * setting_um))
        else:
            blur = seen.fnumber * prep.coc_um(seen.body)
            ring = self.priors.ring_scale_mm * seen.setting_um_per_mm
            landing = (low + high) / 2 if np.isfinite(high) else low
            conversion = seen.conversion_share * NEAR_MARK_MM / seen.distance_mm * abs(landing)
            axis = AXIS_SD_UM if seen.axis is not None else 0.0
            other = float(np.hypot(conversion, axis))
        return seen.distance_mm, seen.focal_mm * m, 1e3 * m * m, blur, ring, other, low, high

    def _add_gauges(self, number: int, prep: Prep) -> None:
        for kind, known in ((Kind.BODY, prep.bodies), (Kind.LENS, prep.lenses)):
            for name, one in known.items():
                if one.gauge_um is None or one.gauge_sd_um is None or name not in self.names[str(kind)]:
                    continue
                unit = self.names[str(kind)][name]
                self.gauges.append(
                    Gauge(kind=kind, unit=unit, prep=number, value_um=one.gauge_um, sd_um=one.gauge_sd_um)
                )
