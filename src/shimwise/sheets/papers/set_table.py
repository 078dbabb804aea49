"""The set table: how far each lens is off at each engraved distance on a body, to work with it as it is.

On a body with error B, a lens with error L and scale error S lands at z = B + L + S·f·m(D) when its ring
stands at the taped distance D. The picture at D is sharp with the ring at R, m(R) = m(D) − z/f; the offset is
R − D: below 0 the ring stands nearer than the tape says.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.errors import LengthError, OpticsError, SheetError
from shimwise.inference.verdict.answer import Answer, BodyAnswer, LensAnswer
from shimwise.lengths import length_to_mm, mm_to_feet_text, mm_to_metric_text
from shimwise.optics import magnification, reading_mm
from shimwise.sheets.papers.signed.canonical_json import digest_words
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.rows_words import COVERAGE, lens_words, moment_words, present_name
from shimwise.sheets.words.shared import VERDICT_WORDS, capital, plain, plus_minus_text, titled

FEET = ("2'", "2' 6\"", "3'", "3' 6\"", "4'", "5'", "6'", "8'", "10'", "15'", "25'", "INF")
METRES = ("0.6 m", "0.8 m", "1 m", "1.2 m", "1.5 m", "2 m", "2.5 m", "3 m", "5 m", "8 m", "INF")
"""Distances that cine lens scales carry (common practice, no source)."""
MOST_DISTANCES = 16
FINE_MM, MIDDLE_MM, FAR_MM = 1300.0, 3100.0, 9000.0
"""Up to these distances an offset below a foot is told to 1/8 and 1/4 inch; longer than the last in feet."""
FOOT_MM = 304.8
Data = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Offset:
    """Where a ring has to stand for a distance.

    ``mark_mm``: R, infinite allowed; None where the ring cannot get there. ``is_beyond``: past its infinity
    stop. ``is_sure``: whether the error differs from none by more than U.
    """

    mark_mm: float | None
    is_beyond: bool
    is_sure: bool
    landing_um: float
    u_um: float


def engraved_mm(texts: Sequence[str]) -> list[tuple[str, float]]:
    """Read engraved distances: text as given, and mm.

    Raises
    ------
    LengthError
        When one is no length.
    SheetError
        When there are none, or more than a page holds.
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
) -> Offset:
    """Say where the ring stands when a subject at a distance is sharp.

    Parameters
    ----------
    body, lens : BodyAnswer, LensAnswer
        Their errors; taken as independent of each other, which makes U rather too wide where they were read
        together.
    focal_mm, separation_mm : float
        Of the lens. [mm]
    distance_mm : float
        From the witness mark [mm], infinite allowed.

    Raises
    ------
    OpticsError
        When the distance lies inside the lens's near limit 4f + H.
    """
    m = float(magnification(focal_mm=focal_mm, distance_mm=distance_mm, separation_mm=separation_mm))
    extension = focal_mm * m
    scale = lens.scale_permille if math.isfinite(lens.scale_permille) else 0.0
    scale_sd = lens.scale_sd_permille if math.isfinite(lens.scale_sd_permille) else 0.0
    landing_um = body.error_um + lens.error_um + scale * extension
    u_um = COVERAGE * math.hypot(body.sd_um, lens.sd_um, scale_sd * extension)
    is_sure = abs(landing_um) > u_um
    if m - 1e-3 * landing_um / focal_mm < 0:
        return Offset(mark_mm=None, is_beyond=True, is_sure=is_sure, landing_um=landing_um, u_um=u_um)
    mark = reading_mm(
        focal_mm=focal_mm, distance_mm=distance_mm, landing_um=landing_um, separation_mm=separation_mm
    )
    return Offset(mark_mm=float(mark), is_beyond=False, is_sure=is_sure, landing_um=landing_um, u_um=u_um)


def set_table(
    prep: PrepDocument, answer: Answer, body: BodyAnswer, *, distances: Sequence[str], units: str = "ft"
) -> Data:
    """Say all that stands on the set table of a body.

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
    named_set = prep.content.get("set") or {}
    lenses = [lens for lens in answer.lenses if present_name(lens.name) == lens.name]
    verdict = prep.verdict_row or {}
    error = plus_minus_text(body.error_um, COVERAGE * body.sd_um)
    return {
        "body": capital(titled("body", body.name)),
        "set": plain(str(named_set.get("name") or "")),
        "title": plain(prep.title),
        "judged": moment_words(verdict["given_at"]) if verdict.get("given_at") else "",
        "body_error": f"{error} µm, {VERDICT_WORDS[body.verdict]}",
        "distances": [text for text, _ in engraved],
        "rows": [_row(prep, body, lens, engraved, units) for lens in lenses],
        "state": "signed" if prep.is_signed else "draft: not signed",
        "digest": digest_words(prep.digest),
        "short_digest": prep.digest[:16],
    }


def _row(
    prep: PrepDocument, body: BodyAnswer, lens: LensAnswer, engraved: Sequence[tuple[str, float]], units: str
) -> Data:
    row = next((row for row in prep.rows("lenses") if str(row["name"]) == lens.name), {})
    focal = [number_of(value) for value in row.get("focal_lengths_mm") or ()]
    together = plus_minus_text(body.error_um + lens.error_um, COVERAGE * math.hypot(body.sd_um, lens.sd_um))
    told: Data = {"name": plain(lens.name), "about": lens_words(row), "together": together}
    if len(focal) != 1 or not math.isfinite(lens.sd_um) or not math.isfinite(body.sd_um):
        why = "a zoom: set its back focus by reading" if len(focal) > 1 else "not known"
        return {**told, "cells": [], "why": why}
    near, separation = number_of(row.get("near_mm")), number_of(row.get("separation_mm"))
    cells = [
        _cell(
            body=body,
            lens=lens,
            focal_mm=focal[0],
            distance_mm=distance_mm,
            separation_mm=separation if math.isfinite(separation) else 0.0,
            near_mm=near if math.isfinite(near) else 0.0,
            units=units,
        )
        for _, distance_mm in engraved
    ]
    return {**told, "cells": cells, "why": ""}


def _cell(
    *,
    body: BodyAnswer,
    lens: LensAnswer,
    focal_mm: float,
    distance_mm: float,
    separation_mm: float,
    near_mm: float,
    units: str,
) -> Data:
    if distance_mm < near_mm:
        return {"words": "", "is_sure": False}
    try:
        found = offset_at(
            body=body, lens=lens, focal_mm=focal_mm, distance_mm=distance_mm, separation_mm=separation_mm
        )
    except OpticsError:
        return {"words": "", "is_sure": False}
    return {"words": _words(found, distance_mm, units), "is_sure": found.is_sure}


def _words(found: Offset, distance_mm: float, units: str) -> str:
    if found.is_beyond:
        return "past INF"
    mark_mm = found.mark_mm if found.mark_mm is not None else math.inf
    if math.isinf(distance_mm):
        is_near = found.is_sure and not math.isinf(mark_mm)
        return f"at {_length(mark_mm, mark_mm, units)}" if is_near else "0"
    if math.isinf(mark_mm):
        return "at INF"
    offset = mark_mm - distance_mm
    size = _length(abs(offset), distance_mm, units)
    return size if size == "0" else f"{'−' if offset < 0 else '+'}{size}"


def _length(size_mm: float, distance_mm: float, units: str) -> str:
    """Write a length as finely as a scale can be set at that distance; nought where it rounds to none."""
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
