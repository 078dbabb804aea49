"""The memory of a house as a value: a joint history of units under their ids, and since when each stands."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from shimwise.inference.history.memory import History, Unit, Wear
from shimwise.inference.model.linear import Kind
from shimwise.record.tables.rows import BodyRow, LensRow

__all__ = ["NOTHING", "Memory", "Since", "Told", "id_of", "kind_of"]

SCHEMA = "shimwise.memory/1"
DAY_S = 86_400.0
AT_STOP = " at f/"
"""Between a lens and a stop in the name of a focus shift."""
Told = tuple[float | None, float | None]
"""A history as a unit's row tells it: mean and sd [µm, short < 0 < deep]; None, None: next to nothing."""
NOTHING: Told = (None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """Since when a unit wanders, the prep whose travel is counted already, and what its row was told."""

    at: datetime
    prep_id: str
    told: Told = NOTHING


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """The joint history of the house's units, each named by its id, and since when each stands."""

    history: History
    since: Mapping[Unit, Since]
    seq: int = 0

    @classmethod
    def empty(cls) -> "Memory":
        """Give the memory of a house that has signed nothing."""
        return cls(history=History.empty(), since={})

    def told(self, kind: Kind, unit_id: str) -> Told:
        """Give what a unit's row was told of it."""
        epoch = self.history.epoch(kind, unit_id)
        return NOTHING if epoch is None else self.since[Unit(kind, unit_id, epoch)].told

    def without(self, units: Iterable[Unit]) -> "Memory":
        """Give the memory without some units."""
        kept = set(self.history.units) - set(units)
        since = {unit: stands for unit, stands in self.since.items() if unit in kept}
        return replace(self, history=self.history.only(kept), since=since)

    def faded(self, unit_ids: Iterable[str], *, prep_id: str, at: datetime, wear: Wear) -> "Memory":
        """Give the memory with some units wider, by the time to ``at`` and one prep's travel."""
        ids, since, added = set(unit_ids), dict(self.since), np.zeros(len(self.history.units))
        for i, unit in enumerate(self.history.units):
            stands = since[unit]
            if id_of(unit) not in ids or stands.prep_id == prep_id:
                continue
            days = max(0.0, (at - stands.at).total_seconds() / DAY_S)
            added[i] = wear.variance(unit.kind, days=days, jobs=1)
            since[unit] = replace(stands, at=max(at, stands.at), prep_id=prep_id)
        history = replace(self.history, covariance=self.history.covariance + np.diag(added))
        return replace(self, history=history, since=since)

    def to_json(self) -> dict[str, Any]:
        """Give it as plain JSON, in the order of the history's units."""
        since = [self.since[unit] for unit in self.history.units]
        return {
            "schema": SCHEMA,
            "history": self.history.to_json(),
            "since": [[one.at.isoformat(), one.prep_id, *one.told] for one in since],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], *, seq: int = 0) -> "Memory":
        """Read what :meth:`to_json` wrote.

        Raises
        ------
        InferenceError
            When its history is none.
        """
        history = History.from_json(data["history"])
        since = {
            unit: Since(at=datetime.fromisoformat(at), prep_id=prep_id, told=(mean, sd))
            for unit, (at, prep_id, mean, sd) in zip(history.units, data["since"], strict=True)
        }
        return cls(history=history, since=since, seq=seq)


def id_of(unit: Unit) -> str:
    """Id of the body or lens that a unit of a memory belongs to."""
    return unit.name.rsplit(AT_STOP, 1)[0] if unit.kind is Kind.STOP else unit.name


def kind_of(row: BodyRow | LensRow) -> Kind:
    """Kind of a row's own unit in a memory."""
    return Kind.BODY if isinstance(row, BodyRow) else Kind.LENS
