"""What the house remembers of its units between preps: one joint history, in step with signatures and moves.

A signature adds what the prep's readings say; a move starts a new epoch that hangs together with the old one.
Units stand in the memory under their ids, a prep's units here under the names by which the judge knows them.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from shimwise.bench.history.memory import NOTHING, Memory, Since, Told, id_of, kind_of
from shimwise.bench.house.drift_rate import wear_in
from shimwise.bench.house.unit_knowledge import judged_name
from shimwise.bench.verdict.judge_input import question_of
from shimwise.inference.history.memory import History, Unit
from shimwise.inference.model.linear import BODY_SD_UM, LENS_SD_UM, PRIOR_SD, Kind
from shimwise.record.queries import memories
from shimwise.record.tables.rows import BodyRow, LensRow

if TYPE_CHECKING:
    from datetime import datetime

    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.inference.model.linear import Model
    from shimwise.inference.model.prep import Prep
    from shimwise.record import Connection
    from shimwise.record.tables.rows import ReadingRow, SweepRow

__all__ = ["UNKNOWN_SD", "after_move", "after_prep", "alone_at", "memory_in", "prior_of"]

UNKNOWN_SD = {Kind.BODY: BODY_SD_UM, Kind.LENS: LENS_SD_UM, **PRIOR_SD}
"""Prior sd of a unit that nobody knows. [µm; scale ‰]"""
MOVES = {Kind.BODY: (Kind.BODY,), Kind.LENS: (Kind.LENS, Kind.SCALE)}
"""What of a unit has a new epoch after its adjustment."""
SAME_SD = 1e-3
"""A shim under a lens leaves its scale as it was: sd of the difference. [‰]"""


def memory_in(connection: "Connection") -> Memory:
    """Give the memory in force."""
    row = memories.newest_memory(connection)
    return Memory.empty() if row is None else Memory.from_json(row.document, seq=row.seq)


def prior_of(connection: "Connection", material: "PrepMaterial") -> History | None:
    """Give what is remembered of a prep's units, as the judge names them; None where nothing is.

    Faded until the prep was started. A unit whose history a person typed since is left to what was typed.
    """
    history, names = _as_of(connection, material).history, _Names.of(material)
    here = {unit: judged for unit in history.units if (judged := names.judged(unit))}
    return replace(history.only(here), units=tuple(here.values())) if here else None


def alone_at(
    connection: "Connection", units: "Sequence[BodyRow | LensRow]", *, at: "datetime"
) -> dict[str, Told]:
    """Give what a job at ``at`` may know of units, by id: each for itself, wide enough to stand alone.

    Of a unit that is not remembered, what its row tells.
    """
    ids = [unit.id for unit in units]
    memory = _trusted(memory_in(connection), units).faded(
        ids, prep_id="", at=at, wear=wear_in(connection).as_wear()
    )
    known = memory.history.only(Unit(kind_of(row), row.id, row.epoch) for row in units)
    wide_sd = known.alone_sd()
    told: dict[str, Told] = {row.id: (row.history_mean_um, row.history_sd_um) for row in units}
    for i, unit in enumerate(known.units):
        is_more = wide_sd[i] < UNKNOWN_SD[unit.kind]
        told[unit.name] = (float(known.mean[i]), float(wide_sd[i])) if is_more else NOTHING
    return told


def after_prep(connection: "Connection", material: "PrepMaterial") -> Memory | None:
    """Reckon the memory after a prep's readings; None where it has none.

    Raises
    ------
    InferenceError, OpticsError
        When the readings cannot be judged.
    """
    question = question_of(material)
    if question is None:
        return None
    memory, names = _as_of(connection, material), _Names.of(material)
    known = memory.history
    before = replace(known, units=tuple(names.judged(unit) or unit for unit in known.units))
    after = _learned(before, question.prep, names)
    back = [names.remembered(unit) for unit in after.units]
    lasting = [i for i, unit in enumerate(back) if names.is_lasting(unit)]
    history = after.only(after.units[i] for i in lasting)
    history = replace(history, units=tuple(back[i] for i in lasting)).floored()
    stands = Since(at=_last_seen(material), prep_id=material.prep.id)
    since = {
        unit: replace(stands, told=_told(history, unit)) if names.is_here(unit) else memory.since[unit]
        for unit in history.units
    }
    return Memory(history=history, since=since, seq=memory.seq)


def after_move(
    connection: "Connection",
    material: "PrepMaterial",
    unit: BodyRow | LensRow,
    *,
    by_um: float | None,
    sd_um: float | None,
) -> Memory:
    """Reckon the memory after a move of a unit: its new epoch, which the old one speaks for through the move.

    Parameters
    ----------
    unit : BodyRow or LensRow
        As it was before the move.
    by_um, sd_um : float or None
        Change by the move [µm, + away from the flange], and its standard uncertainty; None: nobody knows, and
        the new epoch is that of an unknown unit.
    """
    memory = _as_of(connection, material)
    history, since = memory.history, dict(memory.since)
    stands = Since(at=material.prep.started_at, prep_id=material.prep.id)
    for kind in MOVES[kind_of(unit)]:
        old, new = Unit(kind, unit.id, unit.epoch), Unit(kind, unit.id, unit.epoch + 1)
        if old not in since:
            mean, sd = _own_prior(kind, unit)
            history, since[old] = history.joined(old, mean=mean, sd=sd), stands
        if by_um is None or sd_um is None:
            history = history.joined(new, mean=0.0, sd=UNKNOWN_SD[kind])
        elif kind is Kind.SCALE:
            history = history.moved(kind, unit.id, by=0.0, sd=SAME_SD)
        else:
            history = history.moved(kind, unit.id, by=by_um, sd=max(sd_um, SAME_SD))
        since[new] = replace(stands, told=_told(history, new))
    return Memory(history=history, since=since, seq=memory.seq)


class _Names:
    """The names of a prep's units: as remembered by id and epoch, as judged by name, the epoch in words."""

    def __init__(self, bodies: "Mapping[str, BodyRow]", lenses: "Mapping[str, LensRow]") -> None:
        self._rows: dict[str, BodyRow | LensRow] = {**bodies, **lenses}
        self._name = {
            (row.id, epoch): judged_name(row.name, epoch=epoch, current=row.epoch)
            for row in self._rows.values()
            for epoch in range(row.epoch + 1)
        }
        self._key = {(key[0] in bodies, name): key for key, name in self._name.items()}

    @classmethod
    def of(cls, material: "PrepMaterial") -> "_Names":
        """Give the names of a prep."""
        return cls(material.bodies, material.lenses)

    def judged(self, unit: Unit) -> Unit | None:
        """Give a remembered unit as the judge names it; None of one that is not of the prep."""
        unit_id = id_of(unit)
        name = self._name.get((unit_id, unit.epoch))
        return None if name is None else Unit(unit.kind, name + unit.name[len(unit_id) :])

    def remembered(self, unit: Unit) -> Unit:
        """Give a judged unit as it is remembered; one of another prep, or a set-up, as it is."""
        name = id_of(unit)
        key = self._key.get((unit.kind is Kind.BODY, name))
        if key is None or unit.kind is Kind.SETUP:
            return unit
        return Unit(unit.kind, key[0] + unit.name[len(name) :], key[1])

    def is_judged(self, unit: Unit) -> bool:
        """Whether a unit stands under a name of this prep's."""
        return unit.kind is Kind.SETUP or (unit.kind is Kind.BODY, id_of(unit)) in self._key

    def is_here(self, unit: Unit) -> bool:
        """Whether a remembered unit is of this prep."""
        return id_of(unit) in self._rows

    def is_lasting(self, unit: Unit) -> bool:
        """Whether a remembered unit outlives the prep: no set-up; of its units the present epoch."""
        row = self._rows.get(id_of(unit))
        return unit.kind is not Kind.SETUP and (row is None or row.epoch == unit.epoch)


def _learned(history: History, prep: "Prep", names: _Names) -> History:
    """History after a prep's readings, what was knocked doubted first; units that were not read left out."""
    from shimwise.inference.history.remembered_posterior import doubt_what_was_knocked, remembered_posterior
    from shimwise.inference.model.assemble import build_model, later_states

    model, _ = build_model(prep)
    before = set(history.units)
    history = history.with_units_of(model)
    is_remembered = any(Unit(one.kind, one.name) in before for one in model.unknowns)
    if is_remembered and len(model.landing_um):
        history, _ = doubt_what_was_knocked(history, model, later=later_states(prep))
    after = history.after(model, remembered_posterior(model, history))
    return after.only(
        unit
        for unit in after.units
        if not names.is_judged(unit)
        or (unit.epoch == after.epoch(unit.kind, unit.name) and (unit in before or _is_read(model, unit)))
    )


def _is_read(model: "Model", unit: Unit) -> bool:
    column = model.index(unit.kind, unit.name)
    return bool(np.any(model.design[:, column]) or model.gauge_precision[column])


def _as_of(connection: "Connection", material: "PrepMaterial") -> Memory:
    """Give the memory as a prep finds it: faded until its start, without what a person typed over."""
    ids = (*material.bodies, *material.lenses)
    return _trusted(memory_in(connection), material.units).faded(
        ids, prep_id=material.prep.id, at=material.prep.started_at, wear=wear_in(connection).as_wear()
    )


def _trusted(memory: Memory, units: "Iterable[BodyRow | LensRow]") -> Memory:
    """Memory without the units of which a row tells something else: a person has typed it since."""
    gone = []
    for row in units:
        kind = kind_of(row)
        is_told = memory.told(kind, row.id) == (row.history_mean_um, row.history_sd_um)
        if not is_told:
            gone += [unit for unit in memory.history.units if (unit.kind, unit.name) == (kind, row.id)]
    return memory.without(gone) if gone else memory


def _last_seen(material: "PrepMaterial") -> "datetime":
    """When the prep's units were seen last: from then on they wander again."""
    seen: tuple[ReadingRow | SweepRow, ...] = (*material.readings, *material.sweeps)
    return max([material.prep.started_at, *(row.taken_at for row in seen if row.withdrawn_at is None)])


def _told(history: History, unit: Unit) -> Told:
    """Tell a unit's row what is remembered; nothing where that is no more than of any unit."""
    if unit.kind not in MOVES:
        return NOTHING
    stands = history.standing(unit.kind, unit.name, epoch=unit.epoch)
    return NOTHING if stands.sd >= UNKNOWN_SD[unit.kind] else (stands.mean, stands.sd)


def _own_prior(kind: Kind, unit: BodyRow | LensRow) -> tuple[float, float]:
    if kind in MOVES and unit.history_sd_um is not None:
        return unit.history_mean_um or 0.0, unit.history_sd_um
    return 0.0, UNKNOWN_SD[kind]
