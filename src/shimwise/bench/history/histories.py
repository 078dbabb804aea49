"""The memory of the house's units and what their rows tell of it, in step with what becomes of a prep."""

from collections.abc import Container, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from shimwise.bench.history.memory import NOTHING, Memory, Since, Told, id_of, kind_of
from shimwise.bench.history.remember import after_move, memory_in
from shimwise.inference.history.memory import Unit
from shimwise.inference.model.linear import Kind
from shimwise.record import journal
from shimwise.record.queries import memories, units
from shimwise.record.tables.rows import BodyRow, JournalRow, LensRow

if TYPE_CHECKING:
    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.record import Change

__all__ = ["forget_prep", "keep_history", "remember_move", "remember_prep"]

SIGNED, MOVED, REOPENED = "signed", "moved", "reopened"
"""Why a memory was put in force."""
KEPT, CARRIED, FORGOTTEN = "history kept", "history carried over a move", "history forgotten"


def remember_prep(change: "Change", material: "PrepMaterial", memory: Memory | None) -> None:
    """Put in force what a signed prep leaves remembered; its units' rows tell it."""
    if memory is None:
        return
    _put(change, memory, prep_id=material.prep.id, cause=SIGNED)
    for unit in material.units:
        kind = kind_of(unit)
        if Unit(kind, unit.id, unit.epoch) in memory.since:
            told = memory.told(kind, unit.id)
            keep_history(change, unit, told, what=KEPT, prep_id=material.prep.id)


def remember_move(
    change: "Change",
    material: "PrepMaterial",
    unit: BodyRow | LensRow,
    *,
    by_um: float | None,
    sd_um: float | None,
) -> None:
    """Start a unit's new epoch in the memory and in its row; arguments as :func:`after_move`.

    The row has its new epoch already; ``unit`` is as it was before.
    """
    memory = after_move(change.connection, material, unit, by_um=by_um, sd_um=sd_um)
    _put(change, memory, prep_id=material.prep.id, cause=MOVED)
    kind = kind_of(unit)
    moved, told = _unit(change, kind, unit.id), memory.told(kind, unit.id)
    keep_history(change, moved, told, what=CARRIED, prep_id=material.prep.id)


def forget_prep(change: "Change", prep_id: str) -> None:
    """Take back what a prep's signature left remembered, since its readings are judged again.

    Where nothing was remembered after it, the memory before is in force again. Otherwise its units are
    remembered as they were before it, each for itself and wide enough for that, or no longer, where that was
    too long ago. A unit that was adjusted since, or typed over by a person, keeps what its row tells.
    """
    kept, told = memories.memories(change.connection), _told_by(change, prep_id)
    signed = next((row for row in kept if (row.prep_id, row.cause) == (prep_id, SIGNED)), None)
    if signed is not None and signed.seq == kept[0].seq:
        memories.take_back_memory(change, signed)
        memory = memory_in(change.connection)
    else:
        before = next((row for row in kept if signed is not None and row.seq < signed.seq), None)
        older = Memory.empty() if before is None else Memory.from_json(before.document)
        memory = _with_older(memory_in(change.connection), older, told)
        _put(change, memory, prep_id=prep_id, cause=REOPENED)
    _untell(change, memory, told, prep_id=prep_id)


def keep_history(change: "Change", unit: BodyRow | LensRow, told: Told, *, what: str, prep_id: str) -> None:
    """Give a unit's row another history, with a line in the journal that can undo it."""
    mean_um, sd_um = told
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
            "kind": str(kind_of(unit)),
            "epoch": unit.epoch,
            "before": [unit.history_mean_um, unit.history_sd_um],
            "after": [mean_um, sd_um],
        },
    )


def _put(change: "Change", memory: Memory, *, prep_id: str, cause: str) -> None:
    memories.add_memory(change, prep_id=prep_id, cause=cause, document=memory.to_json())


def _told_by(change: "Change", prep_id: str) -> dict[str, JournalRow]:
    """What a prep's latest signature told the rows of its units, by their ids."""
    lines = journal.journal_after(change.connection, 0, prep_id=prep_id, limit=10**9)
    return {line.unit_id: line for line in lines if line.what == KEPT and line.unit_id}


def _with_older(memory: Memory, older: Memory, unit_ids: Container[str]) -> Memory:
    """Memory in which some units are as an older one had them, each for itself."""
    gone = {unit for unit in memory.history.units if id_of(unit) in unit_ids}
    rest, alone_sd = memory.without(gone), older.history.alone_sd()
    history, since = rest.history, dict(rest.since)
    for i, unit in enumerate(older.history.units):
        if unit in gone:
            wide_sd = float(alone_sd[i])
            history = history.joined(unit, mean=float(older.history.mean[i]), sd=wide_sd)
            since[unit] = _told_wider(older.since[unit], wide_sd)
    return Memory(history=history, since=since, seq=memory.seq)


def _told_wider(since: Since, sd: float) -> Since:
    mean_um, _ = since.told
    return since if mean_um is None else replace(since, told=(mean_um, sd))


def _untell(change: "Change", memory: Memory, by_unit: Mapping[str, JournalRow], *, prep_id: str) -> None:
    """Have the rows of the prep's units tell what is remembered again."""
    for unit_id, line in by_unit.items():
        kind = Kind(line.detail["kind"])
        unit, told = _unit(change, kind, unit_id), memory.told(kind, unit_id)
        if memory.history.epoch(kind, unit_id) is None:
            told = _typed_before(line.detail["before"])
        stands = (unit.epoch, unit.history_mean_um, unit.history_sd_um)
        if unit.epoch == line.detail["epoch"] and stands != (unit.epoch, *told):
            keep_history(change, unit, told, what=FORGOTTEN, prep_id=prep_id)


def _typed_before(before: Iterable[float | None]) -> Told:
    mean_um, sd_um = before
    return NOTHING if sd_um is None else (mean_um, sd_um)


def _unit(change: "Change", kind: Kind, unit_id: str) -> BodyRow | LensRow:
    return (units.body if kind is Kind.BODY else units.lens)(change.connection, unit_id)
