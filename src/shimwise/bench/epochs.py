"""What a signed prep leaves known of its units, how that fades, and what a move makes of it.

A unit's error at sign-off is its prior at the next prep. What is known of the units of one prep hangs
together (readings tell sums of a body's and a lens's error), while the judge takes each unit's history for
itself. So each is told wider than it is, by as much as makes independent histories no surer together than
the joint knowledge was: with correlations R, variance times the row's sum of |R|.

References
----------
.. [1] R. A. Horn, C. R. Johnson, *Matrix Analysis* (2nd ed. 2013), theorem 6.1.1 (Gershgorin) and 6.1.10: a
   symmetric matrix with a dominant diagonal is positive semidefinite (cited from memory).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from shimwise.bench.prep_question import question_of
from shimwise.bench.recheck import line_of
from shimwise.bench.refusals import InputError
from shimwise.bench.typed_names import typed_name
from shimwise.records.store import journal, units
from shimwise.records.store import settings as kept_settings
from shimwise.records.store.rows import BodyRow, LensRow

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import Connection

    from shimwise.bench.prep_material import PrepMaterial
    from shimwise.records.store import Change, Record

__all__ = [
    "HistoryOf",
    "WearSettings",
    "carried",
    "change_wear",
    "forget_histories",
    "histories_of",
    "keep_histories",
    "keep_history",
    "wear",
    "widen_histories",
]

WEAR_KEY = "wear"
KEPT, WIDENED, FORGOTTEN = "history kept", "history widened", "history forgotten"
CARRIED = "history carried over a move"
CARRIED_SHARE = math.sqrt(5.0)
"""What was known before a move is told this much wider after it: the lenses that told it tell the new state
too. Counted as independent, a prior of √5 times the joint sd makes the sd at most 10 % too small."""
LEAST_SD_UM = 1.0
"""No unit is remembered better than this, however often it was read. [µm] Chosen by us."""
DAY_S = 86_400.0
MANY = 10**9


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryOf:
    """What is known of a unit in one epoch. [µm, short < 0 < deep]"""

    kind: str
    unit_id: str
    epoch: int
    mean_um: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WearSettings:
    """How fast units wander: sd after one month and sd added by one job, and why the house says so. [µm]"""

    body_month_um: float = 1.5
    body_job_um: float = 1.5
    lens_month_um: float = 1.5
    lens_job_um: float = 1.5
    reason: str = "Common practice, no source: mounts settle, shims bed in, cases fall over."


def wear(record: "Record") -> WearSettings:
    """Give how fast units are taken to wander."""
    with record.reading() as connection:
        return _wear(connection)


def change_wear(record: "Record", *, settings: WearSettings, who: str) -> WearSettings:
    """Put other rates in force, with the reason.

    Raises
    ------
    InputError
        When a rate cannot be, or no reason is given.
    """
    person, reason = typed_name(who, field="who"), typed_name(settings.reason, field="reason")
    for field, value in asdict(settings).items():
        if field != "reason" and not (0 <= value <= 100):
            raise InputError("is out of range; accepted is 0 to 100 µm.", field=field, typed=f"{value:g}")
    checked = replace(settings, reason=reason)
    with record.writing(who=person) as change:
        kept_settings.change_setting(change, WEAR_KEY, asdict(checked))
        change.note("wear changed", detail=asdict(checked))
    return checked


def histories_of(material: "PrepMaterial", document: Mapping[str, Any]) -> tuple[HistoryOf, ...]:
    """Reckon what a prep leaves known of its units in their present epoch.

    Parameters
    ----------
    material : PrepMaterial
        The prep.
    document : mapping
        Its current verdict: each unit's error and uncertainty. How units hang together is reckoned anew.

    Returns
    -------
    tuple of HistoryOf
        Each told as wide as independent histories have to be; empty without readings.
    """
    question = question_of(material)
    if question is None:
        return ()
    import numpy as np

    from shimwise.inference.assemble import build_model
    from shimwise.inference.posterior import robust_posterior

    model, _ = build_model(question.prep)
    said = {(str(one.kind), one.name): column for column, one in enumerate(model.unknowns)}
    found = [
        (kind, unit, line, said[kind, unit.name])
        for kind, unit in _units(material)
        if (kind, unit.name) in said and (line := line_of(document, kind=kind, name=unit.name))
    ]
    found = [one for one in found if one[2].get("error_um") is not None and one[2].get("sd_um")]
    if not found:
        return ()
    columns = [column for *_, column in found]
    covariance = robust_posterior(model).covariance[np.ix_(columns, columns)]
    sd = np.sqrt(np.diag(covariance))
    wider = np.sqrt(np.abs(covariance / np.outer(sd, sd)).sum(axis=1))
    return tuple(
        HistoryOf(
            kind=kind,
            unit_id=unit.id,
            epoch=unit.epoch,
            mean_um=float(line["error_um"]),
            sd_um=max(LEAST_SD_UM, float(line["sd_um"]) * float(wider[place])),
        )
        for place, (kind, unit, line, _) in enumerate(found)
    )


def keep_histories(change: "Change", prep_id: str, histories: Sequence[HistoryOf]) -> None:
    """Make what a prep leaves known its units' history, where it says more than what was known before."""
    for history in histories:
        unit = _unit(change.connection, history.kind, history.unit_id)
        known_sd = math.inf if unit.history_sd_um is None else unit.history_sd_um
        if unit.epoch == history.epoch and history.sd_um < min(known_sd, _unknown_sd(history.kind)):
            keep_history(
                change, unit, mean_um=history.mean_um, sd_um=history.sd_um, what=KEPT, prep_id=prep_id
            )


def forget_histories(change: "Change", prep_id: str) -> None:
    """Give units back the history they had before a prep was signed: its readings are judged again.

    A unit whose history was changed since, or that was adjusted, keeps the one it has.
    """
    lines = journal.journal_after(change.connection, 0, prep_id=prep_id, limit=MANY)
    newest = {line.unit_id: line for line in lines if line.what == KEPT and line.unit_id}
    for unit_id, line in newest.items():
        unit = _unit(change.connection, line.detail["kind"], unit_id)
        stands = (unit.epoch, unit.history_mean_um, unit.history_sd_um)
        if stands != (line.detail["epoch"], *line.detail["after"]):
            continue
        mean_um, sd_um = line.detail["before"]
        keep_history(change, unit, mean_um=mean_um, sd_um=sd_um, what=FORGOTTEN, prep_id=prep_id)


def widen_histories(
    change: "Change", *, prep_id: str, body_ids: Sequence[str], lens_ids: Sequence[str]
) -> None:
    """Let what is remembered of the units of a new prep fade: by the days and by one job since it was kept.

    A history that a person typed stands as it was typed.
    """
    settings, at = _wear(change.connection), change.at
    for kind, ids in (("body", body_ids), ("lens", lens_ids)):
        month_um = settings.body_month_um if kind == "body" else settings.lens_month_um
        job_um = settings.body_job_um if kind == "body" else settings.lens_job_um
        for unit_id in ids:
            since = _kept_at(change.connection, unit_id)
            unit = _unit(change.connection, kind, unit_id)
            if since is None or unit.history_sd_um is None:
                continue
            days = max(0.0, (at - since).total_seconds() / DAY_S)
            variance = unit.history_sd_um**2 + month_um**2 * days / 30.0 + job_um**2
            sd_um = min(math.sqrt(variance), max(unit.history_sd_um, _unknown_sd(kind)))
            mean_um = unit.history_mean_um or 0.0
            keep_history(change, unit, mean_um=mean_um, sd_um=sd_um, what=WIDENED, prep_id=prep_id)


def carried(
    *, mean_um: float | None, sd_um: float | None, move_um: float, move_sd_um: float, kind: str
) -> tuple[float | None, float | None]:
    """Carry what was known of a unit over a move: mean and sd of its new epoch; None, None: next to nothing.

    Parameters
    ----------
    mean_um, sd_um : float or None
        Error before the move, as the latest verdict or the history has it. [µm]
    move_um, move_sd_um : float
        Change by the move [µm, + away from the flange], and its standard uncertainty.
    kind : str
        ``body`` or ``lens``.
    """
    if mean_um is None or sd_um is None:
        return None, None
    after_sd = math.hypot(CARRIED_SHARE * sd_um, move_sd_um)
    return (None, None) if after_sd >= _unknown_sd(kind) else (mean_um + move_um, after_sd)


def keep_history(
    change: "Change",
    unit: BodyRow | LensRow,
    *,
    mean_um: float | None,
    sd_um: float | None,
    what: str,
    prep_id: str,
) -> None:
    """Give a unit another history, with a line in the journal that can undo it."""
    wanted = replace(unit, history_mean_um=mean_um, history_sd_um=sd_um)
    if isinstance(wanted, BodyRow):
        units.change_body(change, wanted)
    else:
        units.change_lens(change, wanted)
    change.note(
        what,
        prep_id=prep_id,
        unit_id=unit.id,
        detail={
            "kind": "body" if isinstance(unit, BodyRow) else "lens",
            "epoch": unit.epoch,
            "before": [unit.history_mean_um, unit.history_sd_um],
            "after": [mean_um, sd_um],
        },
    )


def _wear(connection: "Connection") -> WearSettings:
    stored: Any = kept_settings.setting(connection, WEAR_KEY)
    return WearSettings(**stored) if stored else WearSettings()


def _units(material: "PrepMaterial") -> list[tuple[str, BodyRow | LensRow]]:
    return [
        *(("body", body) for body in material.bodies.values()),
        *(("lens", lens) for lens in material.lenses.values()),
    ]


def _unit(connection: "Connection", kind: str, unit_id: str) -> BodyRow | LensRow:
    return units.body(connection, unit_id) if kind == "body" else units.lens(connection, unit_id)


def _unknown_sd(kind: str) -> float:
    from shimwise.inference.model import BODY_SD_UM, LENS_SD_UM

    return BODY_SD_UM if kind == "body" else LENS_SD_UM


def _kept_at(connection: "Connection", unit_id: str) -> "datetime | None":
    """When a unit's history was last kept or widened here; None of one that a person typed since."""
    for line in journal.journal_of_unit(connection, unit_id, limit=50):
        if line.what in (KEPT, WIDENED, CARRIED):
            return line.at
        if line.what == FORGOTTEN:
            return None
    return None
