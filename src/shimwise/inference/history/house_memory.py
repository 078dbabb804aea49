"""The memory of a house: the joint history of its units by id and its persons by name, and what changes it.

A signature adds what the prep's readings contain; a move starts a new epoch, correlated with the old one;
when the house learns from all signed preps together, their joint posterior takes the memory's place.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from shimwise.inference.model.bench import REMEMBERED, later_states
from shimwise.inference.model.design import Built, build_mixture
from shimwise.inference.model.joint_memory import LASTING, DriftRates, History, Unit
from shimwise.inference.model.kinds import UNKNOWN_SD, Kind
from shimwise.inference.model.prep import Prep
from shimwise.inference.model.priors import Priors
from shimwise.inference.posterior.draws import draw

SCHEMA = "shimwise.memory/1"
DAY_S = 86_400.0
AT_STOP = " at f/"
"""Between a lens and a stop in the name of a focus shift."""
MOVES = {Kind.BODY: (Kind.BODY,), Kind.LENS: (Kind.LENS, Kind.SCALE)}
"""What of a unit has a new epoch after its adjustment."""
NAMED_ALIKE = (Kind.SETUP, Kind.EYE)
"""Kinds whose units have the same name in the memory and for the judge."""
SAME_SD = 1e-3
"""A shim under a lens leaves its scale as it was: sd of the difference. [‰]"""
RowHistory = tuple[float | None, float | None]
"""History in a unit's row: mean and sd [µm, short < 0 < deep]; None, None: no more than of any unit."""
UNKNOWN: RowHistory = (None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """From when a unit drifts, the prep whose travel is counted already, and the history in its row."""

    at: datetime
    prep_id: str
    row: RowHistory = UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseMemory:
    """The joint history of the house's units, each named by its id, and from when each drifts."""

    history: History
    since: Mapping[Unit, Since]
    seq: int = 0

    @classmethod
    def empty(cls) -> "HouseMemory":
        """Return the memory of a house that has signed nothing."""
        return cls(history=History.empty(), since={})

    def row(self, kind: Kind, unit_id: str) -> RowHistory:
        """Return the history that was written into a unit's row."""
        epoch = self.history.epoch(kind, unit_id)
        return UNKNOWN if epoch is None else self.since[Unit(kind, unit_id, epoch)].row

    def without(self, units: Iterable[Unit]) -> "HouseMemory":
        """Return the memory without some units."""
        kept = set(self.history.units) - set(units)
        since = {unit: one for unit, one in self.since.items() if unit in kept}
        return replace(self, history=self.history.only(kept), since=since)

    def faded(
        self, unit_ids: Iterable[str], *, prep_id: str, at: datetime, rates: DriftRates
    ) -> "HouseMemory":
        """Return the memory with some units widened by the time until ``at`` and one prep's travel."""
        ids, since, added = set(unit_ids), dict(self.since), np.zeros(len(self.history.units))
        for i, unit in enumerate(self.history.units):
            one = since[unit]
            if id_of(unit) not in ids or one.prep_id == prep_id:
                continue
            days = max(0.0, (at - one.at).total_seconds() / DAY_S)
            added[i] = rates.variance(unit.kind, days=days, jobs=1)
            since[unit] = replace(one, at=max(at, one.at), prep_id=prep_id)
        history = replace(self.history, covariance=self.history.covariance + np.diag(added))
        return replace(self, history=history, since=since)

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON, in the order of the history's units."""
        since = [self.since[unit] for unit in self.history.units]
        return {
            "schema": SCHEMA,
            "history": self.history.to_json(),
            "since": [[one.at.isoformat(), one.prep_id, *one.row] for one in since],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], *, seq: int = 0) -> "HouseMemory":
        """Read what :meth:`to_json` wrote; errors as :meth:`History.from_json`."""
        history = History.from_json(data["history"])
        since = {
            unit: Since(at=datetime.fromisoformat(at), prep_id=prep_id, row=(mean, sd))
            for unit, (at, prep_id, mean, sd) in zip(history.units, data["since"], strict=True)
        }
        return cls(history=history, since=since, seq=seq)


class PrepUnits:
    """The units of a prep: by id and epoch as the house remembers them, by name as the judge has them.

    Parameters
    ----------
    epochs : mapping of str to int
        Present epoch of each unit, by id.
    names : mapping of (str, int) to str
        The name that the judge uses for each unit and epoch.
    body_ids : collection of str
        Which of the units are bodies; the others are lenses.
    """

    def __init__(
        self, epochs: Mapping[str, int], names: Mapping[tuple[str, int], str], *, body_ids: Collection[str]
    ) -> None:
        self._epochs, self._names = epochs, names
        self._keys = {(key[0] in body_ids, name): key for key, name in names.items()}

    def judged(self, unit: Unit) -> Unit | None:
        """Return a remembered unit under the judge's name; None if it is not of the prep.

        A person is known by one name everywhere, and is of every prep.
        """
        if unit.kind is Kind.EYE:
            return unit
        unit_id = id_of(unit)
        name = self._names.get((unit_id, unit.epoch))
        return None if name is None else Unit(unit.kind, name + unit.name[len(unit_id) :])

    def remembered(self, unit: Unit) -> Unit:
        """Return a judged unit under its id; one of another prep, or a set-up, unchanged."""
        name = id_of(unit)
        key = self._keys.get((unit.kind is Kind.BODY, name))
        if key is None or unit.kind in NAMED_ALIKE:
            return unit
        return Unit(unit.kind, key[0] + unit.name[len(name) :], key[1])

    def is_judged(self, unit: Unit) -> bool:
        """Whether a unit has a name of this prep's."""
        return unit.kind in NAMED_ALIKE or (unit.kind is Kind.BODY, id_of(unit)) in self._keys

    def is_here(self, unit: Unit) -> bool:
        """Whether a remembered unit is of this prep."""
        return id_of(unit) in self._epochs

    def is_lasting(self, unit: Unit) -> bool:
        """Whether a remembered unit outlives the prep: no set-up; of the prep's units the present epoch."""
        epoch = self._epochs.get(id_of(unit))
        return unit.kind is not Kind.SETUP and epoch in (None, unit.epoch)


def prior_of(memory: HouseMemory, units: PrepUnits) -> History | None:
    """Return what is remembered of a prep's units under the judge's names; None if nothing is."""
    here = {unit: judged for unit in memory.history.units if (judged := units.judged(unit))}
    return replace(memory.history.only(here), units=tuple(here.values())) if here else None


def after_readings(
    memory: HouseMemory, prep: Prep, units: PrepUnits, *, since: Since, priors: Priors | None = None
) -> HouseMemory:
    """Return the memory after a prep's readings.

    Parameters
    ----------
    memory : HouseMemory
        Faded until the prep.
    prep : Prep
        With its readings, under the judge's names.
    since : Since
        When the prep's units were read last, and in which prep.
    priors : Priors, optional
        Of the house.

    Raises
    ------
    InferenceError, OpticsError
        If the readings cannot be judged.
    """
    known = memory.history
    known = replace(known, units=tuple(units.judged(unit) or unit for unit in known.units))
    after = _learned(known, prep, units, priors)
    back = [units.remembered(unit) for unit in after.units]
    lasting = [i for i, unit in enumerate(back) if units.is_lasting(unit)]
    history = after.only(after.units[i] for i in lasting)
    history = replace(history, units=tuple(back[i] for i in lasting)).floored()
    return HouseMemory(
        history=history,
        since={
            unit: replace(since, row=_row(history, unit))
            if units.is_here(unit) or unit not in memory.since
            else memory.since[unit]
            for unit in history.units
        },
        seq=memory.seq,
    )


def after_learning(memory: HouseMemory, known: History) -> HouseMemory:
    """Return the memory once all signed preps have been learned from together.

    The whole record's result on the units that both know replaces what was added signature by
    signature; units that it does not know follow theirs. From when each drifts stays as it is.

    Parameters
    ----------
    memory : HouseMemory
        As it is in force.
    known : History
        Of units as last read, under the memory's names.
    """
    both = set(memory.history.units)
    known = known.only(unit for unit in known.units if unit in both)
    if not known.units:
        return memory
    after = memory.history.after(known.units, mean=known.mean, covariance=known.covariance)
    return replace(memory, history=after.floored())


def after_move(
    memory: HouseMemory,
    unit: Unit,
    *,
    row: RowHistory,
    by_um: float | None,
    sd_um: float | None,
    since: Since,
) -> HouseMemory:
    """Return the memory after a move of a body or lens: a new epoch, correlated with the old one.

    Parameters
    ----------
    memory : HouseMemory
        Faded until the prep of the move.
    unit : Unit
        The unit before the move, by its id; ``row`` is the history in its row.
    by_um, sd_um : float or None
        Change by the move [µm, + away from the flange], and its standard uncertainty; None: not known, and
        the new epoch is that of an unknown unit.
    """
    history, start = memory.history, dict(memory.since)
    for kind in MOVES[unit.kind]:
        old, new = Unit(kind, unit.name, unit.epoch), Unit(kind, unit.name, unit.epoch + 1)
        if old not in start:
            mean, sd = row if kind is unit.kind and row[1] is not None else UNKNOWN
            history, start[old] = history.joined(old, mean=mean or 0.0, sd=sd or UNKNOWN_SD[kind]), since
        if by_um is None or sd_um is None:
            history = history.joined(new, mean=0.0, sd=UNKNOWN_SD[kind])
        elif kind is Kind.SCALE:
            history = history.moved(kind, unit.name, by=0.0, sd=SAME_SD)
        else:
            history = history.moved(kind, unit.name, by=by_um, sd=max(sd_um, SAME_SD))
        start[new] = replace(since, row=_row(history, new))
    return HouseMemory(history=history, since=start, seq=memory.seq)


def id_of(unit: Unit) -> str:
    """Return the id of the body or lens that a remembered unit belongs to."""
    return unit.name.rsplit(AT_STOP, 1)[0] if unit.kind is Kind.STOP else unit.name


def learned(history: History, prep: Prep, *, priors: Priors | None = None) -> tuple[History, frozenset[Unit]]:
    """Return the history after a prep's readings, and which of its units they, or gauges, speak of.

    A unit that changed since it was signed is as uncertain as its change: that is part of the posterior. All
    units of the history under a name of the prep's are its units.
    """
    built = build_mixture(replace(prep, history=history), priors=priors, later=later_states(prep))
    draws = draw(built.model, limit=np.full(len(built.model.quantities.kinds), np.inf))
    rows = {
        Unit(kind, one.names[0], history.epoch(kind, one.names[0]) or 0): i
        for kind in LASTING
        for i, one in enumerate(built.model.quantities.kinds)
        if one.kind == REMEMBERED[kind].value
    }
    for unit in rows:
        if unit not in history.units:
            history = history.joined(unit, mean=0.0, sd=UNKNOWN_SD[unit.kind])
    places = list(rows.values())
    after = history.after(
        list(rows), mean=draws.estimate[places], covariance=draws.covariance()[np.ix_(places, places)]
    )
    return after, frozenset(unit for unit, i in rows.items() if _is_read(built, prep, i))


def _learned(history: History, prep: Prep, units: PrepUnits, priors: Priors | None) -> History:
    """Return the history after a prep's readings, unread units left out, others' units following theirs."""
    before = set(history.units)
    here = history.only(unit for unit in history.units if units.is_judged(unit))
    after, read = learned(here, prep, priors=priors)
    for unit in after.units:
        if unit not in before:
            history = history.joined(unit, mean=0.0, sd=UNKNOWN_SD[unit.kind])
    whole = history.after(after.units, mean=after.mean, covariance=after.covariance)
    return whole.only(unit for unit in whole.units if not units.is_judged(unit) or unit in before | read)


def _is_read(built: Built, prep: Prep, quantity: int) -> bool:
    """Whether a reading or a gauge touches a quantity."""
    kind, (name, *_) = built.model.quantities.kinds[quantity]
    known = {Kind.BODY.value: prep.bodies, Kind.LENS.value: prep.lenses}.get(kind, {})
    used = np.flatnonzero(built.model.quantities.matrix[quantity])
    is_gauged = name in known and known[name].gauge_um is not None
    return is_gauged or bool(np.any(built.model.rows.design[:, used]))


def _row(history: History, unit: Unit) -> RowHistory:
    """Return the history for a unit's row; unknown if it is no narrower than that of any unit."""
    if unit.kind not in MOVES:
        return UNKNOWN
    known = history.remembered(unit.kind, unit.name, epoch=unit.epoch)
    return UNKNOWN if known.sd >= UNKNOWN_SD[unit.kind] else (known.mean, known.sd)
