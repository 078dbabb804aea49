"""The set table: how far each lens is off at each engraved distance on a body, to work with it as it is.

On a body with error B, a lens with error L and scale error S lands at z = (B + L) + S·f·m(D) when its ring
is at the taped distance D. The picture at D is sharp with the ring at R, m(R) = m(D) − z/f; the offset is
R − D: below 0 the ring is nearer than the tape.
"""

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from shimwise.errors import LengthError, OpticsError, SheetError
from shimwise.inference.verdict.answer import Answer, BodyAnswer, LensAnswer, PairAnswer
from shimwise.lengths import length_to_mm, mm_to_feet_text, mm_to_metric_text
from shimwise.optics.conjugates import magnification, reading_mm
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.rows_words import (
    COVERAGE,
    Data,
    lens_words,
    prep_words,
    present,
    text_of,
)
from shimwise.sheets.words.pair_words import pair_text
from shimwise.sheets.words.shared import capital, error_text, plain, plus_minus_text, titled
from shimwise.sheets.words.state_words import short_state

FEET = ("2'", "2' 6\"", "3'", "3' 6\"", "4'", "5'", "6'", "8'", "10'", "15'", "25'", "INF")
METRES = ("0.6 m", "0.8 m", "1 m", "1.2 m", "1.5 m", "2 m", "2.5 m", "3 m", "5 m", "8 m", "INF")
"""Distances that cine lens scales carry (common practice, no source)."""
MOST_DISTANCES = 16
FINE_MM, MIDDLE_MM, FAR_MM = 1300.0, 3100.0, 9000.0
"""Up to these distances an offset below a foot is to 1/8 and 1/4 inch; longer than the last in feet."""
FOOT_MM = 304.8


@dataclass(frozen=True, slots=True, kw_only=True)
class RingTarget:
    """Where a ring has to be for a distance.

    ``mark_mm``: R, infinite allowed; None past its infinity stop.
    """

    mark_mm: float | None
    landing_um: float
    u_um: float

    @property
    def is_sure(self) -> bool:
        """Whether the error differs from none by more than U."""
        return abs(self.landing_um) > self.u_um


def engraved_mm(texts: Sequence[str]) -> list[tuple[str, float]]:
    """Read engraved distances: text as typed, and mm.

    Raises
    ------
    LengthError
        If one is no length.
    SheetError
        If there are none, or more than a page holds.
    """
    if not 0 < len(texts) <= MOST_DISTANCES:
        raise SheetError(
            f"A set table holds 1 to {MOST_DISTANCES} distances, not {len(texts)}. Leave some out."
        )
    return [(plain(text), length_to_mm(text)) for text in texts]


def offset_at(
    *,
    body: BodyAnswer,
    lens: LensAnswer,
    focal_mm: float,
    distance_mm: float,
    separation_mm: float = 0.0,
    pair: PairAnswer | None = None,
) -> RingTarget:
    """Return where the ring is when a subject at a distance is sharp.

    Parameters
    ----------
    body, lens : BodyAnswer, LensAnswer
        Their errors.
    focal_mm, separation_mm : float
        Of the lens. [mm]
    distance_mm : float
        From the witness mark [mm], infinite allowed.
    pair : PairAnswer, optional
        Where the two land together, of the same draws as the scale. Without it their errors are taken as
        independent of each other, which makes U rather too wide where they were read together.

    Raises
    ------
    OpticsError
        If the distance lies inside the lens's near limit 4f + H.
    """
    subject = {"focal_mm": focal_mm, "distance_mm": distance_mm, "separation_mm": separation_mm}
    m = float(magnification(**subject))
    extension = focal_mm * m
    scale = lens.scale_permille if math.isfinite(lens.scale_permille) else 0.0
    scale_sd = lens.scale_sd_permille if math.isfinite(lens.scale_sd_permille) else 0.0
    together_um, sd_um, correlation = body.error_um + lens.error_um, math.hypot(body.sd_um, lens.sd_um), 0.0
    if pair is not None:
        together_um, sd_um, correlation = pair.landing_um, pair.sd_um, pair.scale_correlation
    landing_um, of_scale_um = together_um + scale * extension, scale_sd * extension
    variance = sd_um**2 + of_scale_um**2 + 2 * correlation * sd_um * of_scale_um
    u_um = COVERAGE * math.sqrt(max(variance, 0.0))
    mark_mm = None
    if m - 1e-3 * landing_um / focal_mm >= 0:
        mark_mm = float(reading_mm(**subject, landing_um=landing_um))
    return RingTarget(mark_mm=mark_mm, landing_um=landing_um, u_um=u_um)


def set_table(
    prep: PrepDocument, answer: Answer, body: BodyAnswer, *, distances: Sequence[str], units: str = "ft"
) -> Data:
    """Return all words of the set table of a body.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer
        Its verdict.
    body : BodyAnswer
        The body, one of ``answer.bodies``.
    distances : sequence of str
        The engraved distances, as a technician writes them.
    units : str
        ``ft`` or ``m``: how offsets are written.
    """
    engraved = engraved_mm(distances)
    return {
        **prep_words(prep),
        "body": capital(titled("body", body.name)),
        "set": text_of(prep.content.get("set") or {}, "name"),
        "body_error": f"{error_text(body)} µm, {short_state(body, answer)}",
        "distances": [text for text, _ in engraved],
        "rows": [
            _row(prep, body, lens, answer.pair(body.name, lens.name), engraved, units)
            for lens in present(answer.lenses)
        ],
    }


def _row(
    prep: PrepDocument,
    body: BodyAnswer,
    lens: LensAnswer,
    pair: PairAnswer | None,
    engraved: Sequence[tuple[str, float]],
    units: str,
) -> Data:
    row = prep.named("lenses", lens.name)
    focal = [number_of(value) for value in row.get("focal_lengths_mm") or ()]
    apart_um = COVERAGE * math.hypot(body.sd_um, lens.sd_um)
    together = pair_text(pair) if pair else plus_minus_text(body.error_um + lens.error_um, apart_um)
    words: Data = {"name": plain(lens.name), "about": lens_words(row), "together": together}
    if len(focal) != 1 or not math.isfinite(lens.sd_um) or not math.isfinite(body.sd_um):
        why = "a zoom: set its back focus by reading" if len(focal) > 1 else "not known"
        return {**words, "cells": [], "why": why}
    near_mm, separation_mm = number_of(row.get("near_mm")), number_of(row.get("separation_mm"), 0.0)
    offset = partial(
        offset_at, body=body, lens=lens, focal_mm=focal[0], separation_mm=separation_mm, pair=pair
    )
    cells = [_cell(offset, distance_mm, near_mm, units) for _, distance_mm in engraved]
    return {**words, "cells": cells}


def _cell(offset: Callable[..., RingTarget], distance_mm: float, near_mm: float, units: str) -> Data:
    """Return the offset at a distance in words, and whether it is sure; empty nearer than the lens goes."""
    if not distance_mm < near_mm:
        with suppress(OpticsError):
            found = offset(distance_mm=distance_mm)
            return {"words": _words(found, distance_mm, units), "is_sure": found.is_sure}
    return {"words": "", "is_sure": False}


def _words(found: RingTarget, distance_mm: float, units: str) -> str:
    mark_mm = found.mark_mm
    if mark_mm is None:
        return "past INF"
    if math.isinf(distance_mm):
        is_near = found.is_sure and not math.isinf(mark_mm)
        return f"at {_length(mark_mm, mark_mm, units)}" if is_near else "0"
    if math.isinf(mark_mm):
        return "at INF"
    offset = mark_mm - distance_mm
    size = _length(abs(offset), distance_mm, units)
    return size if size == "0" else f"{'−' if offset < 0 else '+'}{size}"


def _length(size_mm: float, distance_mm: float, units: str) -> str:
    """Return a length as finely as a scale can be set at that distance; nought where it rounds to none."""
    try:
        if units == "m":
            step = 1.0 if distance_mm <= FINE_MM else 5.0 if distance_mm <= MIDDLE_MM else 10.0
            return mm_to_metric_text(size_mm, resolution_mm=step)
        if size_mm > FAR_MM:
            return mm_to_feet_text(round(size_mm / FOOT_MM) * FOOT_MM, denominator=1)
        finest = 8 if distance_mm <= FINE_MM else 4 if distance_mm <= MIDDLE_MM else 1
        return mm_to_feet_text(size_mm, denominator=finest if size_mm < FOOT_MM else 1)
    except LengthError:
        return "0"
