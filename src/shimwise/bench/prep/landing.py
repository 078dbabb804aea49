"""One reading's landing as the judge reckons it, at once, and what the other readings say of it."""

import math
import statistics
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from shimwise.inference.model import linear as priors
from shimwise.inference.model.observations import ObservationContext, landings_um, reading_sd_um
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep, Reading
from shimwise.inference.posterior.robust import K_MEDIAN
from shimwise.number_format import decimal_text, is_nought
from shimwise.optics import magnification

__all__ = [
    "AGREES",
    "APART",
    "FIRST",
    "Agreement",
    "Expected",
    "Landing",
    "agreement_of",
    "expected_from_others",
    "expected_from_verdict",
    "landing_of",
    "landing_words",
]

FIRST, AGREES, APART = "first", "agrees", "apart"
APART_SDS = 3.1
"""A reading farther than this from what is expected is apart: where a verdict would call it doubted."""
LEAST_SD_UM = 1.0
"""What the others say is never taken as known better than this. [µm]"""
DOUBTED_WEIGHT = 0.3
KNOWN_LANDINGS = 20_000
"""Landings that are remembered: a reading is set beside all others of its prep each time one is added."""
MEDIAN_WIDER = 1.25
"""The median of many normal values is this many times less sure than their mean (√(π/2))."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """A landing [µm, short < 0 < deep], its standard uncertainty, and the optics it was reckoned with.

    ``focal_mm`` is in force at this distance along this axis; ``m`` the magnification at the chart.
    """

    um: float
    sd_um: float
    focal_mm: float
    m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What a landing should be by the others [µm]; ``is_paired``: this lens was read on this body before."""

    um: float
    sd_um: float
    is_paired: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Whether a reading agrees with the others: ``first``, ``agrees`` or ``apart``, and that in words."""

    kind: str
    words: str


@lru_cache(maxsize=KNOWN_LANDINGS)
def landing_of(reading: Reading, *, body: BodyKnowledge, lens: LensKnowledge) -> Landing:
    """Reckon one reading's landing and its standard uncertainty, of a reader with the usual spread.

    Parameters
    ----------
    reading : Reading
        By eye, or measured.
    body, lens : BodyKnowledge, LensKnowledge
        What is known of them.

    Raises
    ------
    OpticsError, InferenceError
        When the judge would refuse it.
    """
    prep = Prep(readings=(reading,), bodies={reading.body: body}, lenses={reading.lens: lens})
    sight = ObservationContext.of(prep, [reading]).observation(reading)
    landing = float(landings_um([sight], np.zeros(1, dtype=np.intp), [reading])[0])
    blur_um = 0.0 if reading.measured_um is not None else K_MEDIAN * reading.fnumber * body.coc_um
    m = magnification(
        focal_mm=sight.focal_mm, distance_mm=sight.distance_mm, separation_mm=sight.separation_mm
    )
    return Landing(
        um=landing,
        sd_um=math.hypot(blur_um, float(reading_sd_um([sight])[0])),
        focal_mm=sight.focal_mm,
        m=float(m),
    )


def expected_from_verdict(
    document: Mapping[str, Any], landing: Landing, *, body: str, lens: str, setup: str
) -> Expected | None:
    """Give what a verdict expects of a landing: B + L + S·f·m + m²·T.

    Where this pair has been read, the verdict knows the sum better than its parts: as well as the readings of
    the pair do. None where the verdict names neither of the two.
    """
    units = {
        (kind, unit["name"]): unit
        for told in (document.get("past", {}), document)
        for kind in ("bodies", "lenses")
        for unit in told.get(kind, ())
    }
    of_body, of_lens = units.get(("bodies", body)), units.get(("lenses", lens))
    if of_body is None or of_lens is None:
        return None
    tape_mm = next((one["error_mm"] for one in document["setups"] if one["name"] == setup), 0.0)
    per_permille, per_mm = landing.focal_mm * landing.m, 1e3 * landing.m**2
    um = of_body["error_um"] + of_lens["error_um"]
    um += of_lens["scale_permille"] * per_permille + tape_mm * per_mm
    paired = sum(
        one["body"] == body and one["lens"] == lens and one["weight"] >= DOUBTED_WEIGHT
        for one in document["readings"]
    )
    apart_sds = (
        of_body["sd_um"],
        of_lens["sd_um"],
        of_lens["scale_sd_permille"] * per_permille,
        priors.SETUP_SD_MM * per_mm,
    )
    sd_um = landing.sd_um / math.sqrt(paired) if paired else math.hypot(*apart_sds)
    return Expected(um=um, sd_um=max(sd_um, LEAST_SD_UM), is_paired=paired > 0)


def expected_from_others(landings: Iterable[float], *, sd_um: float) -> Expected | None:
    """Give what other landings of the same lens and body say, their median [µm]; None without any."""
    others = list(landings)
    if not others:
        return None
    wider = MEDIAN_WIDER if len(others) > 2 else 1.0
    return Expected(
        um=statistics.median(others),
        sd_um=max(wider * sd_um / math.sqrt(len(others)), LEAST_SD_UM),
        is_paired=True,
    )


def agreement_of(landing: Landing, expected: Expected | None, *, weight: float | None = None) -> Agreement:
    """Say whether a landing agrees with what is expected of it.

    Parameters
    ----------
    landing : Landing
        The landing in question.
    expected : Expected or None
        By the others.
    weight : float, optional
        Its say in the verdict, where the verdict has it: that then decides.
    """
    if expected is None:
        return Agreement(kind=FIRST, words="the first of this lens on this body")
    off_um = landing.um - expected.um
    is_apart = abs(off_um) > APART_SDS * math.hypot(landing.sd_um, expected.sd_um)
    if weight is not None:
        is_apart = weight < DOUBTED_WEIGHT
    if is_apart:
        others = "the others say" if expected.is_paired else "body and lens should land"
        way = "deeper" if off_um > 0 else "shorter"
        return Agreement(kind=APART, words=f"{_um(abs(off_um))} {way} than {others}: read it again")
    if expected.is_paired:
        return Agreement(kind=AGREES, words="agrees with the others")
    return Agreement(kind=FIRST, words="the first of this lens on this body")


def landing_words(landing_um: float) -> str:
    """Say a landing in words, ``14 µm short``; from half a micron on the mark it is on."""
    if is_nought(landing_um):
        return "on the mark"
    return f"{_um(abs(landing_um))} {'short' if landing_um < 0 else 'deep'}"


def _um(size_um: float) -> str:
    return f"{decimal_text(size_um, comma=True)} µm"
