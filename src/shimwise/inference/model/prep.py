"""The readings of a prep and what is known of its units: the plain values that the judge takes in.

A *reading* is what a person saw: this body, this lens, a chart taped at this distance, sharp with the ring at
that mark. What is known beforehand (history, gauges, mechanisms apart) travels as :class:`UnitKnowledge`.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from shimwise.fields import build_from

if TYPE_CHECKING:  # the joint memory is built on models, which are built on preps
    from shimwise.inference.model.joint_memory import History

DEFAULT_COC_UM = 20.0
DEFAULT_TOLERANCE_UM = 10.0
SEATING_SD_UM = 1.5
"""Not part of a sweep's uncertainty: how the lens sits each time it is locked, and temperature between sweep
and use, about a kelvin on 52 mm of aluminium (common practice, no source). [µm]"""


def measured_landing_sd_um(sweep_sd_um: float) -> float:
    """Return the standard uncertainty of a landing that frames measured, with that of the seat. [µm]"""
    return math.hypot(sweep_sd_um, SEATING_SD_UM)


class FocusDesign(StrEnum):
    """How a lens focuses: as a whole, or by moving groups inside."""

    UNIT = "unit focus"
    INTERNAL = "internal focus"


class Axis(StrEnum):
    """The axis of an anamorphic picture that was judged: vertical has f, horizontal f/squeeze."""

    VERTICAL = "vertical"
    HORIZONTAL = "horizontal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A lens on a body in front of a chart that was taped: what readings and landings have in common.

    ``row`` counts the data rows of its file from 0; ``line`` is the line a person sees there (header = 1).
    ``distance_mm`` may be infinite. ``focal_mm`` is the focal length named on the lens (of an anamorphic, the
    vertical one).
    """

    row: int
    line: int
    body: str
    lens: str
    focal_mm: float
    fnumber: float
    distance_mm: float
    setup: str = ""
    squeeze: float = 1.0
    axis: Axis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Sighting):
    """One reading by eye, in millimetres from the witness mark.

    ``reading_mm`` may be infinite. A reading that is only possible has a negative ``row``.
    """

    reading_mm: float
    operator: str = ""
    separation_mm: float | None = None
    stop: str = ""
    at: str = ""
    note: str = ""
    focus_design: FocusDesign | None = None
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredLanding(Sighting):
    """A landing that frames measured, with the chart at ``distance_mm``: no ring is read, no eye is judged.

    ``landing_um`` [µm, short < 0 < deep] and its standard uncertainty ``sd_um`` [µm], the seat's included.
    ``row`` and ``line`` continue those of the readings beside it; ``source`` names the sweep. ``setting``:
    landings of one name, of a lens at a distance, share how the ring was set to its mark, an error of its
    own; empty where there is none.
    """

    landing_um: float
    sd_um: float
    source: str = ""
    setting: str = ""

    @classmethod
    def by_picture(
        cls, at: Reading, *, landing_um: float, landing_sd_um: float, setting: str
    ) -> "MeasuredLanding":
        """Return what a picture measured at a reading's place, with the ring at the taped distance.

        ``landing_sd_um``: the picture's own standard uncertainty [µm]; that of the seat is added.
        """
        return build_from(
            cls, at, landing_um=landing_um, sd_um=measured_landing_sd_um(landing_sd_um), setting=setting
        )

    def by_eye(self) -> Reading:
        """Return the possible reading of the same units at the same distance, with the ring at the chart."""
        return build_from(Reading, self, row=-1, line=-1, reading_mm=self.distance_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitKnowledge:
    """What is known of a body or lens before the readings. [µm, short < 0 < deep]

    ``history_*``: the posterior of last time, already widened for time and travel. ``gauge_*``: a depth gauge
    value (body) or collimator value (lens). None if there is none. ``past_of``: of a unit as it was before an
    adjustment, its present name; such a unit is judged, but is no part of the verdict.
    """

    history_mean_um: float | None = None
    history_sd_um: float | None = None
    gauge_um: float | None = None
    gauge_sd_um: float | None = None
    past_of: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LensKnowledge(UnitKnowledge):
    """What is known of a lens: its units' knowledge, and its optics where the readings do not carry them.

    ``by_distance``: for a lens that focuses inside, rows of (distance mm, focal length mm, separation mm).
    ``marks_mm``: its engraved distances, infinity among them; empty where they are not known.
    """

    focal_lengths_mm: tuple[float, ...] = ()
    fnumber: float | None = None
    separation_mm: float | None = None
    focus_design: FocusDesign = FocusDesign.UNIT
    squeeze: float = 1.0
    by_distance: tuple[tuple[float, float, float], ...] = ()
    marks_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyKnowledge(UnitKnowledge):
    """What is known of a body: its units' knowledge, its circle of confusion [µm] and its tolerance [µm]."""

    coc_um: float = DEFAULT_COC_UM
    tolerance_um: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prep:
    """The judge's input: what was read and measured, what is known of units by name, and the tolerance.

    ``history``: the joint memory of some units under the same names; it replaces their own histories.
    """

    readings: tuple[Reading, ...]
    bodies: Mapping[str, BodyKnowledge] = field(default_factory=dict)
    lenses: Mapping[str, LensKnowledge] = field(default_factory=dict)
    tolerance_um: float = DEFAULT_TOLERANCE_UM
    landings: tuple[MeasuredLanding, ...] = ()
    history: "History | None" = None

    @property
    def focal_mm(self) -> dict[str, float]:
        """Focal length of each lens that was read at one alone. [mm]"""
        found: dict[str, set[float]] = {}
        for one in self.evidence:
            found.setdefault(one.lens, set()).add(one.focal_mm)
        return {lens: min(each) for lens, each in found.items() if len(each) == 1}

    @property
    def evidence(self) -> tuple[Reading | MeasuredLanding, ...]:
        """The readings, then the measured landings: the rows of the model, in this order."""
        return (*self.readings, *self.landings)

    @property
    def sources(self) -> dict[int, str]:
        """Name of the sweep of each landing that has one, by its row."""
        return {one.row: one.source for one in self.landings if one.source}

    @property
    def past_bodies(self) -> dict[str, str]:
        """Bodies as they were before an adjustment, and what each is called now, by name."""
        return {name: known.past_of for name, known in self.bodies.items() if known.past_of is not None}

    @property
    def past_lenses(self) -> dict[str, str]:
        """Lenses as they were before an adjustment, and what each is called now, by name."""
        return {name: known.past_of for name, known in self.lenses.items() if known.past_of is not None}

    @property
    def marks_mm(self) -> dict[str, tuple[float, ...]]:
        """Engraved distances of the lenses of which they are known. [mm]"""
        return {name: lens.marks_mm for name, lens in self.lenses.items() if lens.marks_mm}

    def coc_um(self, body: str) -> float:
        """Return the circle of confusion of a body, the usual one where nothing is known of it. [µm]"""
        return self.bodies[body].coc_um if body in self.bodies else DEFAULT_COC_UM


def zoom_settings_mm(evidence: Iterable[Reading | MeasuredLanding]) -> dict[int, float]:
    """Return the focal length [mm] of each reading, by row, of the lenses that were read at several."""
    readings = [one for one in evidence if isinstance(one, Reading)]
    read: dict[str, set[float]] = {}
    for one in readings:
        read.setdefault(one.lens, set()).add(one.focal_mm)
    return {one.row: one.focal_mm for one in readings if len(read[one.lens]) > 1}
