"""One reading's landing at once, what the others predict for it, and whether it agrees with them."""

import math
import statistics
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from shimwise.inference.model.observations import ObservationContext
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, MeasuredLanding, Prep, Reading
from shimwise.inference.model.priors import K_MEDIAN
from shimwise.inference.verdict.answer import DOUBTED_BELOW, Answer, LensAnswer
from shimwise.optics.ring_setting import SETTING_SD_MM

APART_SDS = 3.1
"""A reading farther than this from its expectation is apart: where a verdict would doubt it."""
LEAST_SD_UM = 1.0
"""Least standard uncertainty of an expectation. [µm]"""
SETUP_SD_MM = 2.0
"""Standard uncertainty of a taped distance. [mm, in object space] Common practice, no source."""
KNOWN_LANDINGS = 20_000
"""Landings kept: a reading is compared with all others of its prep each time one is added."""
MEDIAN_WIDER = math.sqrt(math.pi / 2)
"""The sd of the median of many normal values is this many times that of their mean."""


class AgreementKind(StrEnum):
    """How a landing compares with the others."""

    FIRST = "first"
    AGREES = "agrees"
    APART = "apart"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingLanding:
    """A landing [µm, short < 0 < deep], its standard uncertainty, and its optics.

    ``focal_mm`` is the one at this distance along this axis; ``m`` the magnification at the chart.
    """

    um: float
    sd_um: float
    focal_mm: float
    m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedLanding:
    """A landing predicted by the others [µm]; ``is_paired``: this lens was read on this body before."""

    um: float
    sd_um: float
    is_paired: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How a landing compares with its expectation: how far off [µm], None if it is the first."""

    kind: AgreementKind
    off_um: float | None = None
    is_paired: bool = False


@lru_cache(maxsize=KNOWN_LANDINGS)
def landing_of(
    reading: Reading | MeasuredLanding,
    *,
    body: BodyKnowledge,
    lens: LensKnowledge,
    setting_sd_mm: float = SETTING_SD_MM,
) -> ReadingLanding:
    """Compute one reading's landing and its standard uncertainty, for an operator with median k.

    By picture the landing is what was measured, and its uncertainty has that of setting the ring to its mark,
    ``setting_sd_mm`` in object space at 3 ft.

    Raises
    ------
    OpticsError, InferenceError
        If the judge would refuse it.
    """
    seen = reading.by_eye() if isinstance(reading, MeasuredLanding) else reading
    prep = Prep(readings=(seen,), bodies={seen.body: body}, lenses={seen.lens: lens})
    one = ObservationContext.of(prep, [seen]).observation(seen)
    if isinstance(reading, MeasuredLanding):
        um, sd_um = reading.landing_um, math.hypot(reading.sd_um, setting_sd_mm * one.setting_um_per_mm)
    else:
        blur_um = K_MEDIAN * seen.fnumber * body.coc_um
        um, sd_um = one.landing_um(seen.reading_mm), math.hypot(blur_um, one.reading_sd_um())
    return ReadingLanding(um=um, sd_um=sd_um, focal_mm=one.focal_mm, m=one.magnification)


def expected_from_verdict(
    answer: Answer, landing: ReadingLanding, *, body: str, lens: str, setup: str, paired: int | None = None
) -> ExpectedLanding | None:
    """Return the landing predicted by a verdict, B + L + S·f·m + m²·T; None if it lacks body or lens.

    If this pair has been read, the verdict knows the sum better than its parts: as well as the readings of
    the pair do. ``paired``: how many of these there are, where :func:`paired_readings` counted them already.
    """
    of_body, of_lens = answer.unit("body", body), answer.unit("lens", lens)
    if of_body is None or not isinstance(of_lens, LensAnswer):
        return None
    tape_mm = next((one.error_mm for one in answer.setups if one.name == setup), 0.0)
    um_per_permille, um_per_mm = landing.focal_mm * landing.m, 1e3 * landing.m**2
    um = of_body.error_um + of_lens.error_um + of_lens.scale_permille * um_per_permille + tape_mm * um_per_mm
    if paired is None:
        paired = paired_readings(answer)[body, lens]
    apart_sds = (
        of_body.sd_um,
        of_lens.sd_um,
        of_lens.scale_sd_permille * um_per_permille,
        SETUP_SD_MM * um_per_mm,
    )
    sd_um = landing.sd_um / math.sqrt(paired) if paired else math.hypot(*apart_sds)
    return ExpectedLanding(um=um, sd_um=max(sd_um, LEAST_SD_UM), is_paired=paired > 0)


def paired_readings(answer: Answer) -> Counter[tuple[str, str]]:
    """Count the readings of each body and lens that a verdict does not doubt."""
    return Counter((one.body, one.lens) for one in answer.readings if not one.is_doubted)


def expected_from_others(landings: Iterable[float], *, sd_um: float) -> ExpectedLanding | None:
    """Return the median of other landings of the same lens and body [µm]; None without any."""
    others = list(landings)
    if not others:
        return None
    wider = MEDIAN_WIDER if len(others) > 2 else 1.0
    return ExpectedLanding(
        um=statistics.median(others),
        sd_um=max(wider * sd_um / math.sqrt(len(others)), LEAST_SD_UM),
        is_paired=True,
    )


def agreement_of(
    landing: ReadingLanding, expected: ExpectedLanding | None, *, weight: float | None = None
) -> Agreement:
    """Compare a landing with its expectation; its weight in the verdict decides, if there is one."""
    if expected is None:
        return Agreement(kind=AgreementKind.FIRST)
    off_um = landing.um - expected.um
    is_apart = abs(off_um) > APART_SDS * math.hypot(landing.sd_um, expected.sd_um)
    if weight is not None:
        is_apart = weight < DOUBTED_BELOW
    if is_apart:
        return Agreement(kind=AgreementKind.APART, off_um=off_um, is_paired=expected.is_paired)
    kind = AgreementKind.AGREES if expected.is_paired else AgreementKind.FIRST
    return Agreement(kind=kind, off_um=off_um, is_paired=expected.is_paired)
