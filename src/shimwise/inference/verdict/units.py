"""The answers about units, pairs, differences, persons, causes and readings, from what was found."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from shimwise.inference.model.priors import CAUSES, NU, Effect
from shimwise.inference.verdict.answer import (
    BodyAnswer,
    Cause,
    DifferenceAnswer,
    LensAnswer,
    OperatorAnswer,
    PairAnswer,
    ReadingAnswer,
    SetupAnswer,
)
from shimwise.inference.verdict.findings import BODY, LENS, PAIR, Findings
from shimwise.inference.verdict.next_readings import Candidates
from shimwise.inference.verdict.unit_state import wanted_sd_um

MOST_CAUSES = 12
LEAST_CAUSE_P = 0.02
MOST_COUNTED = 60
"""Of more undecided units it is not counted how many readings each needs."""
_Unit = TypeVar("_Unit", bound=BodyAnswer)


def bodies_of(found: Findings) -> tuple[BodyAnswer, ...]:
    """Return the bodies, past states among them."""
    return tuple(BodyAnswer(**_unit(found, row)) for row in found.rows(BODY))


def lenses_of(found: Findings) -> tuple[LensAnswer, ...]:
    """Return the lenses with their scales, past states among them."""
    scales = {found.names(row)[0]: row for row in found.rows(Effect.SCALE.value)}
    return tuple(
        LensAnswer(**_unit(found, row), **_scale(found, scales.get(found.names(row)[0])))
        for row in found.rows(LENS)
    )


def pairs_of(found: Findings) -> tuple[PairAnswer, ...]:
    """Return the landing of every lens on every body."""
    scales = {found.names(row)[0]: row for row in found.rows(Effect.SCALE.value)}
    return tuple(
        PairAnswer(
            body=found.names(row)[0],
            lens=found.names(row)[1],
            landing_um=float(found.estimate[row]),
            is_read=found.names(row) in found.read,
            scale_correlation=found.draws.correlation(row, scales[found.names(row)[1]])
            if found.names(row)[1] in scales
            else 0.0,
            **_figures(found, row),
        )
        for row in found.rows(PAIR)
    )


def differences_of(found: Findings) -> tuple[DifferenceAnswer, ...]:
    """Return body against body."""
    return tuple(
        DifferenceAnswer(
            body=found.names(row)[0],
            than=found.names(row)[1],
            difference_um=float(found.estimate[row]),
            **_interval(found, row),
        )
        for row in found.rows("difference")
    )


def setups_of(found: Findings) -> tuple[SetupAnswer, ...]:
    """Return the set-ups that were read."""
    return tuple(
        SetupAnswer(
            name=found.names(row)[0],
            error_mm=float(found.estimate[row]),
            sd_mm=float(found.sd[row]),
            p_out=found.p_out(row),
        )
        for row in found.rows(Effect.SETUP.value)
        if found.is_informed(row)
    )


def operators_of(found: Findings) -> tuple[OperatorAnswer, ...]:
    """Return every person's eye; nobody where frames alone have measured."""
    model = found.built.model
    place = {name: i for i, name in enumerate(model.persons)}
    return tuple(
        OperatorAnswer(
            name=found.names(row)[0],
            k=float(found.draws.k[place[found.names(row)[0]]]),
            offset=float(found.estimate[row]),
            offset_low=float(found.low[row]),
            offset_high=float(found.high[row]),
        )
        for row in found.rows(Effect.EYE.value)
        if np.any(model.rows.blur_um[model.rows.person == place.get(found.names(row)[0], -1)])
    )


def causes_of(found: Findings) -> tuple[Cause, ...]:
    """Return what may be wrong, the likeliest first; the probability is that of being out."""
    past = found.prep.past_bodies | found.prep.past_lenses
    causes = [
        Cause(kind=effect.value, unit=found.names(row)[0], probability=found.p_out(row))
        for effect in CAUSES
        for row in found.rows(effect.value)
        if found.p_out(row) >= LEAST_CAUSE_P and found.is_informed(row)
        if found.names(row)[0] not in past
    ]
    return tuple(sorted(causes, key=lambda one: (-one.probability, one.kind, one.unit))[:MOST_CAUSES])


def readings_of(found: Findings) -> tuple[ReadingAnswer, ...]:
    """Return one for each reading, in the prep's order; the landing of a ring at INF is its bound."""
    rows, full, evidence = found.built.model.rows, (NU + 1) / NU, found.prep.evidence
    rounding = np.where(np.isfinite(rows.width_um), rows.width_um, 0.0) ** 2 / 12
    sd = np.sqrt(found.draws.scale_um**2 + rounding)
    answers = {
        int(place): ReadingAnswer(
            row=evidence[place].row,
            line=evidence[place].line,
            body=evidence[place].body,
            lens=evidence[place].lens,
            setup=rows.setups[rows.pattern[i]],
            landing_um=float(rows.landing_um[i]),
            sd_um=float(sd[i]),
            weight=min(1.0, float(found.draws.weight[i]) / full),
        )
        for i, place in enumerate(rows.reading)
    }
    return tuple(answers[place] for place in range(len(evidence)))


def undecided_rows(found: Findings, units: Sequence[BodyAnswer], kind: str) -> list[int]:
    """Return the rows of the bodies or lenses that are neither in tolerance nor out."""
    return [found.draws.quantities.index(kind, unit.name) for unit in units if not unit.verdict.is_decided]


def with_more(found: Findings, units: Sequence[_Unit], kind: str) -> tuple[_Unit, ...]:
    """Return the units, each undecided one with how many more readings decide it, unless they are many."""
    rows = [found.draws.quantities.index(kind, unit.name) for unit in units]
    if sum(not unit.verdict.is_decided for unit in units) > MOST_COUNTED:
        return tuple(units)
    candidates, taken = Candidates.of(found.draws, found.built), found.times_taken()
    return tuple(
        unit
        if unit.verdict.is_decided
        else replace(
            unit,
            more_readings=candidates.count_to(
                found.draws.quantities.matrix[row], sd=wanted_sd_um(unit), taken=taken
            ),
        )
        for unit, row in zip(units, rows, strict=True)
    )


def _unit(found: Findings, row: int) -> dict[str, Any]:
    return {
        "name": found.names(row)[0],
        "error_um": float(found.estimate[row]),
        "limit_um": found.limit_um(row),
        **_figures(found, row),
    }


def _figures(found: Findings, row: int) -> dict[str, Any]:
    """Return the fields that bodies, lenses and pairs share."""
    return {
        **_interval(found, row),
        "p_out": found.p_out(row),
        "tolerance_um": float(found.limit[row]),
        "verdict": found.verdicts[row],
    }


def _interval(found: Findings, row: int) -> dict[str, float]:
    columns = {"sd_um": found.sd, "low_um": found.low, "high_um": found.high}
    return {name: float(values[row]) for name, values in columns.items()}


def _scale(found: Findings, row: int | None) -> dict[str, Any]:
    """Return the scale of a lens; zero and its prior's spread where it was read at infinity only."""
    if row is None:
        levels = found.built.priors.levels[Effect.SCALE]
        return {"scale_permille": 0.0, "scale_sd_permille": levels.total_sd, "p_scale_out": 0.0}
    return {
        "scale_permille": float(found.estimate[row]),
        "scale_sd_permille": float(found.sd[row]),
        "p_scale_out": found.p_out(row) if found.is_informed(row) else 0.0,
    }
