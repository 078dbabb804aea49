"""What limits the numbers of a verdict: datum, one eye alone, rounding, stops, histories that do not fit."""

import math

import numpy as np

from shimwise.inference.model.prep import Prep
from shimwise.inference.model.priors import Effect
from shimwise.inference.verdict.answer import OUT
from shimwise.inference.verdict.datum import GAUGE_SD_UM, KNOWN_LENS_SD_UM, body_limits
from shimwise.inference.verdict.decision import CALL_OUT_P
from shimwise.inference.verdict.findings import LENS, Findings
from shimwise.notices import Notice

WIDENED = 1.5
"""From this many times the histories' own spread of the lenses on there is a notice."""
MOST_CHANGE_K = 5.0
"""From a larger change of temperature within a prep on there is a notice: flange and lens grow by some 6 µm.
[K; aluminium, 52 mm]"""
OTHER_STOP = 1.03
"""A stop farther from the kit's than this factor is another one."""


def notices_of(found: Findings) -> tuple[Notice, ...]:
    """Return the notices of a verdict, those of the conversion first."""
    return (
        *found.built.notices,
        *_other_stops(found.prep),
        *_temperature(found.prep),
        *_datum(found),
        *_one_eye(found),
        *_rounding(found),
        *_widened(found),
        *_single(found.prep),
        *_knocks(found),
    )


def _datum(found: Findings) -> list[Notice]:
    tolerance_um = {found.names(row)[0]: found.limit[row] for row in found.rows(Effect.BODY.value)}
    return [
        Notice(
            "datum_limit",
            limit.body,
            {
                "limit_um": limit.limit_um,
                "with_gauge_um": limit.with_gauge_um,
                "gauge_sd_um": GAUGE_SD_UM,
                "with_known_lens_um": limit.with_known_lens_um,
                "known_lens_sd_um": KNOWN_LENS_SD_UM,
            },
        )
        for limit in body_limits(found.built, found.limit_covariance)
        if limit.limit_um > tolerance_um[limit.body] / 2 and limit.body not in found.prep.past_bodies
    ]


def _one_eye(found: Findings) -> list[Notice]:
    """Return the bias that the only eye may have: it goes into every body."""
    unit_um, rows = found.only_eye_um(), found.rows(Effect.EYE.value)
    if not unit_um or not rows:
        return []
    numbers = {"low_um": unit_um * float(found.low[rows[0]]), "high_um": unit_um * float(found.high[rows[0]])}
    return [Notice("one_eye", found.names(rows[0])[0], numbers)]


def _rounding(found: Findings) -> list[Notice]:
    """Return each person's coarsest rounding that was assumed, where it is as wide as the tolerance."""
    rows, prep = found.built.model.rows, found.prep
    widths: dict[tuple[str, float], list[float]] = {}
    for place, width in zip(rows.reading, rows.width_um, strict=True):
        if place < len(prep.readings) and math.isfinite(width):
            one = prep.readings[place]
            widths.setdefault((one.operator, one.distance_mm), []).append(float(width))
    coarsest: dict[str, tuple[float, Notice]] = {}
    for one in (one for one in found.built.granularities if math.isfinite(one.near_mm)):
        near = [
            float(np.median(of))
            for (person, distance_mm), of in widths.items()
            if person == one.person and abs(math.log(distance_mm / one.near_mm)) < math.log(1.3)
        ]
        width_um = min(near, default=0.0)
        if width_um > max(2 * prep.tolerance_um, coarsest.get(one.person, (0.0,))[0]):
            numbers = {
                "step_mm": one.step_mm,
                "near_mm": 25.4 * round(one.near_mm / 25.4),
                "width_um": width_um,
            }
            code = "marks_assumed" if one.by_marks else "rounding_assumed"
            coarsest[one.person] = (width_um, Notice(code, one.person, numbers))
    return [coarsest[person][1] for person in sorted(coarsest)]


def _other_stops(prep: Prep) -> list[Notice]:
    found: dict[str, set[float]] = {}
    for one in prep.readings:
        kit = prep.lenses[one.lens].fnumber if one.lens in prep.lenses else None
        if kit is not None and not 1 / OTHER_STOP < one.fnumber / kit < OTHER_STOP:
            found.setdefault(one.lens, set()).add(one.fnumber)
    return [
        Notice(
            "other_stop",
            lens,
            {
                "kit": prep.lenses[lens].fnumber or math.nan,
                "stops": ", ".join(f"f/{one:g}" for one in sorted(stops)),
            },
        )
        for lens, stops in sorted(found.items())
    ]


def _temperature(prep: Prep) -> list[Notice]:
    """Return how far the temperature changed between the readings, where that is more than it may."""
    found = sorted(one.temperature_c for one in prep.readings if one.temperature_c is not None)
    if not found or found[-1] - found[0] <= MOST_CHANGE_K:
        return []
    return [Notice("temperature_changed", numbers={"low_c": found[0], "high_c": found[-1]})]


def _widened(found: Findings) -> list[Notice]:
    """Return how much more the lenses differ from their histories than those allow."""
    offs = [
        (found.estimate[row] - (known.history_mean_um or 0.0)) / known.history_sd_um
        for row in found.rows(LENS)
        if (known := found.prep.lenses.get(found.names(row)[0])) is not None
        and known.history_sd_um is not None
        and found.is_informed(row)
        and found.verdicts[row] not in OUT
    ]
    factor = float(np.sqrt(np.mean(np.square(offs)))) if offs else 0.0
    return [Notice("history_widened", numbers={"factor": factor})] if factor >= WIDENED else []


def _single(prep: Prep) -> list[Notice]:
    return [Notice("single_reading")] if len(prep.evidence) == 1 else []


def _knocks(found: Findings) -> list[Notice]:
    """Return the units that changed since they were signed."""
    past = found.prep.past_bodies | found.prep.past_lenses
    return [
        Notice(
            "knocked",
            found.names(row)[1],
            {
                "shift_um": float(found.estimate[row]),
                "sd_um": float(found.sd[row]),
                "is_past": float(found.names(row)[1] in past),
            },
        )
        for row in found.rows("changed")
        if found.p_out(row) >= CALL_OUT_P
    ]
