"""The judge's answer: one frozen value per unit, in the shape of the verdict JSON."""

import math
from dataclasses import dataclass
from enum import StrEnum

from shimwise.notices import Notice

Z95 = 1.959964
"""95 % of a normal distribution lie within this many standard deviations."""
DOUBTED_BELOW = 0.3
"""A reading with less weight than this is doubted. The weight of a Student-t of ν = 4, scaled to 1 in the
middle, is 4/(4 + r²/s²): it falls below this 3.1 standard uncertainties off."""


class Verdict(StrEnum):
    """The decision about a unit."""

    IN_TOLERANCE = "in_tolerance"
    OUT_SHORT = "out_short"
    OUT_DEEP = "out_deep"
    CANNOT_TELL = "cannot_tell"
    NOT_CHECKED = "not_checked"

    @property
    def is_decided(self) -> bool:
        """Whether the unit is in tolerance or out."""
        return self not in (Verdict.CANNOT_TELL, Verdict.NOT_CHECKED)

    @property
    def way(self) -> str:
        """On which side of the mark the unit is out: ``short`` or ``deep``; empty where it is not."""
        return self.value.removeprefix("out_") if self in OUT else ""


OUT = (Verdict.OUT_SHORT, Verdict.OUT_DEEP)


class Interval:
    """What is known by a 95 % interval. [µm]"""

    __slots__ = ()
    low_um: float
    high_um: float

    @property
    def half_um(self) -> float:
        """Half the interval. [µm]"""
        return (self.high_um - self.low_um) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyAnswer(Interval):
    """A body's error [µm, B < 0: sensor too close, lands short], its 95 % interval and its verdict.

    ``limit_um``: half the interval that readings without end would leave; nan in a verdict that did not
    compute it. [µm] ``more_readings``: at least so many more decide it, if its error is as estimated; None
    where it is decided, or that is not known.
    """

    name: str
    error_um: float
    sd_um: float
    low_um: float
    high_um: float
    p_out: float
    verdict: Verdict
    tolerance_um: float
    limit_um: float = math.nan
    more_readings: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LensAnswer(BodyAnswer):
    """A lens's error as for a body, and the error of its scale [‰ of the extension, short < 0 < deep]."""

    scale_permille: float
    scale_sd_permille: float
    p_scale_out: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupAnswer:
    """A set-up's error [mm, true minus taped distance] and the probability that it is mis-taped.

    ``replaced_by``: the set-up of the same body and distance that was taped later, and is not wrong; else
    empty.
    """

    name: str
    error_mm: float
    sd_mm: float
    p_out: float
    replaced_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorAnswer:
    """A person's eye, in shares of N·c: spread ``k`` (about 0.1 to 0.3), and offset with its interval.

    Offset: where the person stops beside best focus, short < 0; nan in a verdict that did not estimate it.
    """

    name: str
    k: float
    offset: float = math.nan
    offset_low: float = math.nan
    offset_high: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingAnswer:
    """One reading as a landing [µm], its standard uncertainty, and its weight (1 full, near 0 doubted)."""

    row: int
    line: int
    body: str
    lens: str
    setup: str
    landing_um: float
    sd_um: float
    weight: float

    @property
    def is_doubted(self) -> bool:
        """Whether it has lost its weight."""
        return self.weight < DOUBTED_BELOW


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One thing that may be wrong and how probable that is.

    Kind: body, lens, set, scale, setup, body_reference (where a body's tape begins) or eye (of a person).
    """

    kind: str
    unit: str
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextReading:
    """A reading worth taking: which body and lens at what distance, and the sd it leaves on the undecided.

    ``focal_mm``: what a zoom is set to; None of other lenses. ``by_picture``: whether it is measured so.
    """

    body: str
    lens: str
    distance_mm: float
    sd_after_um: float
    focal_mm: float | None = None
    by_picture: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PairAnswer(Interval):
    """Landing of a lens on a body, B + L [µm, short < 0 < deep]: its 95 % interval and its verdict.

    What the marks will do on this camera; known far better than body and lens by themselves. ``is_read``:
    whether the two were read together; otherwise it follows from the others. ``scale_correlation``: of the
    landing with the scale of the lens, for its uncertainty at a distance.
    """

    body: str
    lens: str
    landing_um: float
    sd_um: float
    low_um: float
    high_um: float
    p_out: float
    verdict: Verdict
    tolerance_um: float
    is_read: bool
    scale_correlation: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceAnswer(Interval):
    """Error of ``body`` minus that of ``than`` [µm], with its 95 % interval; positive: ``body`` is deeper."""

    body: str
    than: str
    difference_um: float
    sd_um: float
    low_um: float
    high_um: float


class UnpartedKind(StrEnum):
    """What cannot be separated, and so what would separate it.

    ``pair``: a body and a lens (a second lens or body, or a gauge). ``eyes``: two persons (a third, a gauge
    or frames). ``bench``: all bodies, the whole set, or the one eye (a gauge, another set or eye, frames).
    """

    PAIR = "pair"
    EYES = "eyes"
    BENCH = "bench"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unparted(Interval):
    """A finding of some units together: amount, sd and 95 % interval [µm, short < 0 < deep].

    ``names``: body and lens; two persons, the first minus the second; the only person of a bench, or nobody.
    """

    kind: UnpartedKind
    names: tuple[str, ...]
    amount_um: float
    sd_um: float
    low_um: float
    high_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The whole verdict: headline first, then units, causes, what to read next, and notices beside them.

    It describes the units as they are. ``next_by_picture``: what to measure next where a landing is to be by
    picture; the same as ``next`` once one was. ``past_bodies`` and ``past_lenses`` are units as they were
    before an adjustment, under the names that their readings have.
    """

    tolerance_um: float
    headline: str
    bodies: tuple[BodyAnswer, ...]
    lenses: tuple[LensAnswer, ...]
    setups: tuple[SetupAnswer, ...]
    operators: tuple[OperatorAnswer, ...]
    readings: tuple[ReadingAnswer, ...]
    causes: tuple[Cause, ...]
    next: tuple[NextReading, ...]
    notices: tuple[Notice, ...]
    past_bodies: tuple[BodyAnswer, ...] = ()
    past_lenses: tuple[LensAnswer, ...] = ()
    pairs: tuple[PairAnswer, ...] = ()
    differences: tuple[DifferenceAnswer, ...] = ()
    unparted: tuple[Unparted, ...] = ()
    next_by_picture: tuple[NextReading, ...] = ()

    @property
    def units(self) -> tuple[BodyAnswer, ...]:
        """Bodies, then lenses."""
        return (*self.bodies, *self.lenses)

    @property
    def past_units(self) -> frozenset[str]:
        """Names of the bodies and lenses as they were before an adjustment."""
        return frozenset(unit.name for unit in (*self.past_bodies, *self.past_lenses))

    @property
    def doubted(self) -> list[ReadingAnswer]:
        """Doubted readings of the units as they are."""
        past = self.past_units
        return [one for one in self.readings if one.is_doubted and past.isdisjoint((one.body, one.lens))]

    def pair(self, body: str, lens: str) -> PairAnswer | None:
        """Return the landing of a lens on a body; None in a verdict that has none."""
        return next((one for one in self.pairs if (one.body, one.lens) == (body, lens)), None)

    def unit(self, kind: str, name: str) -> BodyAnswer | None:
        """Return the answer about a body or lens, present or past, by the name that the judge used."""
        units: tuple[BodyAnswer, ...] = (*self.lenses, *self.past_lenses)
        if kind == "body":
            units = (*self.bodies, *self.past_bodies)
        return next((unit for unit in units if unit.name == name), None)
