"""Whether a unit of the house drifts: its sign-offs, charted anew after every adjustment.

What was known of a unit before a prep comes from the record's journal, so that the prep's own estimate can be
separated from the memory. Lenses and bodies of a prep are used as they were known, so that innovations of
units that always travel together are not quite independent.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from itertools import groupby
from typing import NamedTuple

from shimwise.bench.history.drift_views import DriftRow, DriftView
from shimwise.bench.house.drift_rate import rates_of
from shimwise.bench.house.unit_rows import past_view
from shimwise.bench.house.views import PastVerdict
from shimwise.bench.verdict.histories import KEPT
from shimwise.fields import build_from
from shimwise.inference.history.control_charts import LIMIT_SDS
from shimwise.inference.history.unit_drift import SignedError, UnitDrift, chart, prep_only_estimate
from shimwise.inference.model.joint_memory import DriftRates
from shimwise.inference.model.kinds import UNKNOWN_SD, Kind
from shimwise.record import Connection, journal
from shimwise.record.queries import units, verdicts
from shimwise.record.record import Record
from shimwise.record.tables.mapping import UNIT_ROWS
from shimwise.record.tables.rows import BodyRow, JournalRow, LensRow
from shimwise.sheets.words import drift_words as words

DAY_S = 86_400.0
MOST_LINES = 5000
"""Most lines of the journal read for what was known of a unit before."""
LEAST_RATE_DAYS, LEAST_RATE_RUN = 14.0, 2
"""A rate a month is reported from two weeks and two innovations on. Chosen by us."""
SENSE = {-1: "short", 1: "deep"}


class _Known(NamedTuple):
    """What was known of a unit before a sign-off, mean and sd [µm], and since when; None: as typed."""

    mean_um: float
    sd_um: float
    since: datetime | None


class _Signed(NamedTuple):
    """A sign-off of a unit: its verdict, when, and what was known before."""

    past: PastVerdict
    at: datetime
    known: _Known


def unit_drift(record: Record, kind: str, unit_id: str) -> DriftView:
    """Chart whether a unit, ``body`` or ``lens``, drifts; raise NotFound if there is no such unit."""
    with record.reading() as connection:
        return _drift(connection, units.unit(connection, UNIT_ROWS[kind], unit_id), kind)


def _drift(connection: Connection, unit: BodyRow | LensRow, kind: str) -> DriftView:
    adjusted = tuple(row.made_at for row in verdicts.unit_adjustments(connection, unit.id))
    rates = rates_of(connection)
    signed = _signed(connection, unit, kind, adjusted)
    rows: list[DriftRow] = []
    latest, run = UnitDrift(innovations=(), drift=None), list[_Signed]()
    for epoch, found in groupby(signed, key=lambda one: one.past.epoch):
        of_epoch = list(found)
        drift = chart(_series(of_epoch, kind, rates))
        rows += _rows(of_epoch, drift)
        if epoch == unit.epoch:
            latest, run = drift, of_epoch
    state, headline = _state(kind, unit, run, latest, has_signed=bool(signed))
    is_drifting = latest.sense != 0
    return DriftView(
        kind=kind,
        unit_id=unit.id,
        name=unit.name,
        state=state,
        headline=headline,
        advice=words.advice(kind) if is_drifting else (),
        limits=words.LIMITS,
        sum_limit=LIMIT_SDS,
        sign_off_count=len(run),
        since=run[_last_agreed(latest)].at if is_drifting else None,
        rate_um=latest.rate_um,
        rate_sd_um=latest.rate_sd_um,
        rows=tuple(rows),
        adjusted=adjusted,
    )


def _signed(
    connection: Connection, unit: BodyRow | LensRow, kind: str, adjusted: Sequence[datetime]
) -> list[_Signed]:
    """Return the verdicts of signed preps on a unit, oldest first, and what was known before each."""
    everything = [past_view(row) for row in verdicts.unit_past(connection, unit.id)]
    at = verdicts.signed_times(connection, [one.prep_id for one in everything])
    past = [one for one in everything if one.prep_id in at and math.isfinite(one.error_um) and one.sd_um > 0]
    past.sort(key=lambda one: at[one.prep_id], reverse=True)
    every_line = journal.journal_of_unit(connection, unit.id, limit=MOST_LINES)
    kept = {(line.prep_id, line.at): line.detail for line in every_line if line.what == KEPT}
    left_at = {tuple(detail["after"]): when for (_, when), detail in kept.items()}
    lines = [
        line for line in every_line if "history_mean_um" in line.detail or "history_sd_um" in line.detail
    ]
    measured_at = {*at.values(), *adjusted}
    mean_um, sd_um = unit.history_mean_um, unit.history_sd_um
    found = []
    for one in past:
        while lines and lines[0].at >= at[one.prep_id]:
            mean_um, sd_um = _before(lines.pop(0), mean_um, sd_um)
        since = lines[0].at if lines and lines[0].at in measured_at else None
        written = kept.get((one.prep_id, at[one.prep_id]))
        before = (mean_um, sd_um) if written is None else tuple(written["before"])
        if before != (mean_um, sd_um):  # it was signed in another house, by what was known there
            since = left_at.get(before)
        known = _Known(before[0] or 0.0, _wide(before[1], kind), since)
        found.append(_Signed(one, at[one.prep_id], known))
    return found[::-1]


def _wide(sd_um: float | None, kind: str) -> float:
    return UNKNOWN_SD[Kind(kind)] if sd_um is None else sd_um


def _before(
    line: JournalRow, mean_um: float | None, sd_um: float | None
) -> tuple[float | None, float | None]:
    """Return a unit's history before the change in a line of the journal."""
    mean_um = line.detail.get("history_mean_um", (mean_um,))[0]
    return mean_um, line.detail.get("history_sd_um", (sd_um,))[0]


def _series(signed: Sequence[_Signed], kind: str, rates: DriftRates) -> list[SignedError]:
    return [
        SignedError(
            days=one.at.timestamp() / DAY_S,
            error_um=one.past.error_um,
            sd_um=one.past.sd_um,
            alone=prep_only_estimate(
                before_um=one.known.mean_um,
                before_sd_um=_faded_sd_um(one, kind, rates),
                after_um=one.past.error_um,
                after_sd_um=one.past.sd_um,
            ),
        )
        for one in signed
    ]


def _faded_sd_um(one: _Signed, kind: str, rates: DriftRates) -> float:
    """Return the prior sd at the sign-off: what an earlier sign-off or move left has faded since. [µm]"""
    if one.known.since is None:
        return one.known.sd_um
    days = max(0.0, (one.at - one.known.since).total_seconds() / DAY_S)
    return math.sqrt(one.known.sd_um**2 + rates.variance(Kind(kind), days=days, jobs=1))


def _rows(signed: Sequence[_Signed], drift: UnitDrift) -> list[DriftRow]:
    places = {innovation.place: i for i, innovation in enumerate(drift.innovations)}
    found = []
    for place, one in enumerate(signed):
        words_of = "the reference" if place == 0 else "no new information"
        row = build_from(DriftRow, one.past, signed_at=one.at, words=words_of)
        found.append(_compared(row, drift, places[place]) if place in places else row)
    return found


def _compared(row: DriftRow, drift: UnitDrift, i: int) -> DriftRow:
    innovation, charts = drift.innovations[i], drift.drift
    row = replace(
        row,
        expected_um=innovation.expected_um,
        expected_sd_um=innovation.expected_sd_um,
        surprise=innovation.z,
        words="",
    )
    if charts is None:
        return row
    is_beyond = drift.is_beyond[i]
    side = "deep" if charts.ewma.averages[i] > 0 else "short"
    return replace(
        row,
        average=charts.ewma.averages[i],
        limit=charts.ewma.half_width[i],
        deep_sum=charts.cusum.high[i],
        short_sum=charts.cusum.low[i],
        is_beyond=is_beyond,
        words=f"beyond the limits, {side}" if is_beyond else "within",
    )


def _state(
    kind: str, unit: BodyRow | LensRow, run: Sequence[_Signed], drift: UnitDrift, *, has_signed: bool
) -> tuple[str, str]:
    """Return the state as a word for programs, and its sentence."""
    name, is_adjusted = unit.name, unit.epoch > 0
    if not has_signed:
        return "unsigned", words.unsigned(kind, name)
    if drift.drift is None:
        count = len(drift.innovations) + bool(run)
        return "too_few", words.too_few(kind, name, count=count, is_adjusted=is_adjusted)
    if not drift.sense:
        headline = words.holding(
            kind, name, count=len(run), first=run[0].at, is_adjusted=is_adjusted, beyond=sum(drift.is_beyond)
        )
        return "steady", headline
    return f"drifts_{SENSE[drift.sense]}", _drift_headline(kind, name, run, drift)


def _drift_headline(kind: str, name: str, run: Sequence[_Signed], drift: UnitDrift) -> str:
    sense, start = SENSE[drift.sense], drift.start or 0
    since = run[_last_agreed(drift)].at
    moved = drift.innovations[start:]
    if len(moved) < LEAST_RATE_RUN:
        one = moved[0]
        past = run[one.place].past
        by_um, sd_um = past.error_um - one.expected_um, math.hypot(past.sd_um, one.expected_sd_um)
        return words.jumped(
            kind, name, sense=sense, since=since, until=run[one.place].at, by_um=by_um, sd_um=sd_um
        )
    has_rate = (run[-1].at - since).total_seconds() / DAY_S >= LEAST_RATE_DAYS
    return words.drifting(
        kind,
        name,
        sense=sense,
        since=since,
        rate_um=drift.rate_um if has_rate else None,
        rate_sd_um=drift.rate_sd_um,
    )


def _last_agreed(drift: UnitDrift) -> int:
    """Return the place of the last sign-off before the move."""
    start = drift.start or 0
    return drift.innovations[start - 1].place if start else 0
