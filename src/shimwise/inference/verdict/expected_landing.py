"""The landing of one reading, and what a verdict or the other readings expect of it."""

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from shimwise.inference.model import linear as priors
from shimwise.inference.model.observations import ObservationContext, landings_um, reading_sd_um
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep, Reading
from shimwise.inference.posterior.robust import K_MEDIAN
from shimwise.inference.verdict.answer import Answer, LensAnswer
from shimwise.optics import magnification

__all__ = [
    "Expected",
    "ReadingLanding",
    "expected_from_others",
    "expected_from_verdict",
    "is_apart",
    "landing_of",
]

APART_SDS = 3.1
"""Standard uncertainties beyond which a reading is apart: where a verdict would doubt it. Chosen by us."""
LEAST_SD_UM = 1.0
"""What is expected is never taken as known better than this. [µm] Chosen by us."""
DOUBTED_WEIGHT = 0.3
"""Weight in a verdict below which a reading is doubted. Chosen by us."""
KNOWN_LANDINGS = 20_000
"""Landings that are cached: a reading is compared with all others of its prep each time one is added."""
MEDIAN_WIDER = math.sqrt(math.pi / 2)
"""Ratio of the standard error of the median of many normal values to that of their mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingLanding:
    """A landing [µm, short < 0 < deep], its standard uncertainty, and the optics it was computed with.

    ``focal_mm`` is in force at this distance along this axis; ``m`` the magnification at the chart.
    """

    um: float
    sd_um: float
    focal_mm: float
    m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The landing to be expected [µm]; ``is_paired``: this lens was read on this body before."""

    um: float
    sd_um: float
    is_paired: bool


@lru_cache(maxsize=KNOWN_LANDINGS)
def landing_of(reading: Reading, *, body: BodyKnowledge, lens: LensKnowledge) -> ReadingLanding:
    """Compute one reading's landing and its standard uncertainty, for an operator with median k.

    Parameters
    ----------
    reading : Reading
        By eye, or measured.
    body, lens : BodyKnowledge, LensKnowledge
        What is known of them.

    Raises
    ------
    OpticsError, InferenceError
        If the judge would refuse it.
    """
    prep = Prep(readings=(reading,), bodies={reading.body: body}, lenses={reading.lens: lens})
    seen = ObservationContext.of(prep, [reading]).observation(reading)
    landing = float(landings_um([seen], np.zeros(1, dtype=np.intp), [reading])[0])
    blur_um = 0.0 if reading.measured_um is not None else K_MEDIAN * reading.fnumber * body.coc_um
    m = magnification(focal_mm=seen.focal_mm, distance_mm=seen.distance_mm, separation_mm=seen.separation_mm)
    return ReadingLanding(
        um=landing,
        sd_um=math.hypot(blur_um, float(reading_sd_um([seen])[0])),
        focal_mm=seen.focal_mm,
        m=float(m),
    )


def expected_from_verdict(
    answer: Answer, landing: ReadingLanding, *, body: str, lens: str, setup: str
) -> Expected | None:
    """Return what a verdict expects of a landing, B + L + S·f·m + m²·T; None if it lacks one of the units.

    Where this pair has been read, the verdict knows the sum better than its parts: as well as the readings of
    the pair do.
    """
    of_body, of_lens = answer.unit("body", body), answer.unit("lens", lens)
    if of_body is None or not isinstance(of_lens, LensAnswer):
        return None
    tape_mm = next((one.error_mm for one in answer.setups if one.name == setup), 0.0)
    per_permille, per_mm = landing.focal_mm * landing.m, 1e3 * landing.m**2
    um = of_body.error_um + of_lens.error_um + of_lens.scale_permille * per_permille + tape_mm * per_mm
    paired = sum(
        one.body == body and one.lens == lens and one.weight >= DOUBTED_WEIGHT for one in answer.readings
    )
    of_parts_um = math.hypot(
        of_body.sd_um,
        of_lens.sd_um,
        of_lens.scale_sd_permille * per_permille,
        priors.SETUP_SD_MM * per_mm,
    )
    sd_um = landing.sd_um / math.sqrt(paired) if paired else of_parts_um
    return Expected(um=um, sd_um=max(sd_um, LEAST_SD_UM), is_paired=paired > 0)


def expected_from_others(landings: Iterable[float], *, sd_um: float) -> Expected | None:
    """Return the median of other landings of the same lens and body [µm]; None without any."""
    others = list(landings)
    if not others:
        return None
    wider = MEDIAN_WIDER if len(others) > 2 else 1.0
    return Expected(
        um=statistics.median(others),
        sd_um=max(wider * sd_um / math.sqrt(len(others)), LEAST_SD_UM),
        is_paired=True,
    )


def is_apart(landing: ReadingLanding, expected: Expected, *, weight: float | None = None) -> bool:
    """Return whether a landing is off what is expected; its weight in a verdict decides if given."""
    if weight is not None:
        return weight < DOUBTED_WEIGHT
    return abs(landing.um - expected.um) > APART_SDS * math.hypot(landing.sd_um, expected.sd_um)
