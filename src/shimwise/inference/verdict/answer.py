"""The judge's answer: one frozen value per unit, in the shape of the verdict JSON."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyAnswer:
    """A body's error [µm, B < 0: sensor too close, lands short], its 95 % interval and its verdict."""

    name: str
    error_um: float
    sd_um: float
    low_um: float
    high_um: float
    p_out: float
    verdict: Verdict
    tolerance_um: float


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
    """A person's focusing spread as a share of N·c (about 0.1 to 0.3)."""

    name: str
    k: float


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
    """One thing that may be wrong and how probable that is; kind is body, lens, scale or setup."""

    kind: str
    unit: str
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextReading:
    """A reading worth taking: which body and lens at what distance, and the sd it leaves on the undecided."""

    body: str
    lens: str
    distance_mm: float
    sd_after_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The whole verdict: headline first, then units, causes, what to read next, and notices beside them.

    It describes the units as they are. ``past_bodies`` and ``past_lenses`` are units as they were before an
    adjustment, under the names that their readings have.
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

    def unit(self, kind: str, name: str) -> BodyAnswer | None:
        """Return the answer about a body or lens, present or past, by the name that the judge used."""
        units: tuple[BodyAnswer, ...] = (*self.lenses, *self.past_lenses)
        if kind == "body":
            units = (*self.bodies, *self.past_bodies)
        return next((unit for unit in units if unit.name == name), None)
