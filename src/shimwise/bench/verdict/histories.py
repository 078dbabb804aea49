"""Keep the house's memory and the histories in units' rows in step with signing, moving and reopening."""

from collections.abc import Container, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace

from shimwise.bench.house.unit_memory import kind_of, memory_in
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.verdict.prep_memory import after_move, after_prep
from shimwise.errors import InferenceError, OpticsError
from shimwise.inference.history.house_memory import (
    UNKNOWN,
    HouseMemory,
    RowHistory,
    Since,
    after_learning,
    id_of,
)
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.inference.model.kinds import Kind
from shimwise.record import Connection, journal
from shimwise.record.exchange.sync_rows import TAKEN_ALONG
from shimwise.record.journal import Change
from shimwise.record.queries import memories, units
from shimwise.record.tables.mapping import UNIT_ROWS
from shimwise.record.tables.rows import BodyRow, JournalRow, LensRow

SIGNED, MOVED, REOPENED, TAUGHT = "signed", "moved", "reopened", "taught"
"""Causes of a memory in the record."""
KEPT, CARRIED, FORGOTTEN = "history kept", "history carried over a move", "history forgotten"
LEARNED, LEFT = "history learned from a prep brought in", "history left by a prep brought in"
MANY = 10**9


def remember_prep(change: Change, material: PrepMaterial, memory: HouseMemory | None) -> None:
    """Keep the memory after a signed prep, and write it into its units' rows."""
    if memory is None:
        return
    _remember(change, material, memory, what=KEPT)


def remember_imported(change: Change, prep_id: str) -> None:
    """Learn from the readings of a prep that was signed in another house, on top of what this house knows.

    A unit that came with the prep brings what its house knew, which contains the readings already: a prep of
    such units alone teaches nothing more. Nothing is learned either if one of its units was adjusted or read
    later here, since a memory knows no past.
    """
    material = material_of(change.connection, prep_id)
    if material.prep.state != SIGNED:
        return
    lines, memory = _lines_of(change, prep_id), memory_in(change.connection)
    is_learned = False
    if _is_of_today(material, lines, memory):
        for unit in _came_with(material, lines, memory):
            before = _history(lines[unit.id].detail["before"])
            keep_history(change, unit, before, what=LEFT, prep_id=prep_id)
        material = material_of(change.connection, prep_id)
        with suppress(InferenceError, OpticsError):  # the prep is kept all the same
            after = after_prep(change.connection, material)
            is_learned = after is not None
            if after is not None:
                _remember(change, material, after, what=LEARNED)
    if not is_learned:
        for unit in material.units:
            history = (unit.history_mean_um, unit.history_sd_um)
            keep_history(change, unit, history, what=LEFT, prep_id=prep_id)


def _came_with(
    material: PrepMaterial, lines: Mapping[str, JournalRow], memory: HouseMemory
) -> list[BodyRow | LensRow]:
    """Return the prep's signed units that this house does not remember."""
    known = {id_of(unit) for unit in memory.history.units}
    return [unit for unit in material.units if unit.id in lines and unit.id not in known]


def _is_of_today(material: PrepMaterial, lines: Mapping[str, JournalRow], memory: HouseMemory) -> bool:
    """Whether units are remembered here, none later than the prep, and the others as it left them."""
    came = _came_with(material, lines, memory)
    if len(came) == len(lines):
        return False
    if any([one.history_mean_um, one.history_sd_um] != lines[one.id].detail["after"] for one in came):
        return False
    for unit in material.units:
        known = memory.since.get(Unit(kind_of(unit), unit.id, unit.epoch))
        is_moved = unit.id in lines and lines[unit.id].detail["epoch"] != unit.epoch
        if is_moved or (known is not None and known.at > material.prep.started_at):
            return False
    return True


def _remember(change: Change, material: PrepMaterial, memory: HouseMemory, *, what: str) -> None:
    _put(change, memory, prep_id=material.prep.id, cause=SIGNED)
    for unit in material.units:
        kind = kind_of(unit)
        if Unit(kind, unit.id, unit.epoch) in memory.since:
            keep_history(change, unit, memory.row(kind, unit.id), what=what, prep_id=material.prep.id)


def remember_move(
    change: Change,
    material: PrepMaterial,
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
    moved = _unit(change, kind, unit.id)
    keep_history(change, moved, memory.row(kind, unit.id), what=CARRIED, prep_id=material.prep.id)


def remember_learned(change: Change, known: History, *, seq: int) -> None:
    """Keep what all signed preps together show of the units, unless the memory is no longer the one ``seq``.

    ``known`` is under the memory's names. Rows keep what their last prep wrote.
    """
    newest = memories.newest_memory(change.connection)
    if newest is None or newest.seq != seq:
        return
    memory = after_learning(HouseMemory.from_json(newest.document, seq=seq), known)
    _put(change, memory, prep_id=newest.prep_id, cause=TAUGHT)


def typed_histories(connection: Connection, unit_id: str) -> dict[str, tuple[int, float, float]]:
    """Return epoch, mean and sd of a unit that a person had typed before a prep was signed, by the prep's id.

    What signatures and moves wrote into its row is nothing new, also where it was put back by hand.
    """
    found: dict[str, tuple[int, float, float]] = {}
    written = set[RowHistory]()
    for line in reversed(journal.journal_of_unit(connection, unit_id, limit=MANY)):
        if line.what not in (KEPT, LEARNED, LEFT, CARRIED, FORGOTTEN, TAKEN_ALONG):
            continue
        mean_um, sd_um = line.detail["before"]
        prep_id = str(line.detail.get("of_prep") or line.prep_id)
        if line.what in (KEPT, LEARNED) and sd_um is not None and (mean_um, sd_um) not in written:
            found[prep_id] = (line.detail["epoch"], mean_um or 0.0, sd_um)
        written.add((mean_um, sd_um))
        written.add(_history(line.detail["after"]))
    return found


def forget_prep(change: Change, prep_id: str) -> None:
    """Take back what a prep's signature added to the memory, since its readings are judged again.

    If no memory was kept after it, the one before is in force again. Otherwise its units return to their
    state before it, as independent and wide enough for that, or are forgotten if that was too long ago. A
    unit that was adjusted since, or typed over by a person, keeps the history of its row.
    """
    kept, lines = memories.memories(change.connection), _kept_lines(change, prep_id)
    if not lines:
        return
    signed = next((row for row in kept if (row.prep_id, row.cause) == (prep_id, SIGNED)), None)
    newer = [row for row in kept if signed is not None and row.seq > signed.seq]
    if signed is not None and all(row.cause == TAUGHT for row in newer):
        for row in (*newer, signed):
            memories.take_back_memory(change, row)
        memory = memory_in(change.connection)
    else:
        before = next((row for row in kept if signed is not None and row.seq < signed.seq), None)
        older = HouseMemory.empty() if before is None else HouseMemory.from_json(before.document)
        memory = _with_older(memory_in(change.connection), older, lines)
        _put(change, memory, prep_id=prep_id, cause=REOPENED)
    _rewrite_rows(change, memory, lines, prep_id=prep_id)


def keep_history(
    change: Change, unit: BodyRow | LensRow, history: RowHistory, *, what: str, prep_id: str
) -> None:
    """Write another history into a unit's row, with a line in the journal that can undo it.

    A prep brought in is exported again as it came: lines about it are none of its own.
    """
    mean_um, sd_um = history
    units.change_unit(change, replace(unit, history_mean_um=mean_um, history_sd_um=sd_um))
    is_own = what not in (LEARNED, LEFT)
    change.note(
        what,
        prep_id=prep_id if is_own else None,
        unit_id=unit.id,
        detail={
            "kind": str(kind_of(unit)),
            "epoch": unit.epoch,
            "before": [unit.history_mean_um, unit.history_sd_um],
            "after": [mean_um, sd_um],
            **({} if is_own else {"of_prep": prep_id}),
        },
    )


def _put(change: Change, memory: HouseMemory, *, prep_id: str, cause: str) -> None:
    memories.add_memory(change, prep_id=prep_id, cause=cause, document=memory.to_json())


def _kept_lines(change: Change, prep_id: str) -> dict[str, JournalRow]:
    """Return the journal lines of what a prep's latest signature wrote into rows here, by unit id."""
    found = _lines_of(change, prep_id)
    for unit_id, line in tuple(found.items()):
        for own in journal.journal_of_unit(change.connection, unit_id, limit=MANY):
            if own.detail.get("of_prep") == prep_id and own.seq > line.seq:
                found[unit_id] = own
                break
    return {unit_id: line for unit_id, line in found.items() if line.what != LEFT}


def _lines_of(change: Change, prep_id: str) -> dict[str, JournalRow]:
    """Return the journal lines of what a prep's latest signature wrote into rows, here or elsewhere."""
    lines = journal.journal_after(change.connection, 0, prep_id=prep_id, limit=MANY)
    return {line.unit_id: line for line in lines if line.what == KEPT and line.unit_id}


def _with_older(memory: HouseMemory, older: HouseMemory, unit_ids: Container[str]) -> HouseMemory:
    """Return the memory with some units, and all persons, as an older one had them, independent of others."""
    gone = {unit for unit in memory.history.units if unit.kind is Kind.EYE or id_of(unit) in unit_ids}
    rest, alone_sd = memory.without(gone), older.history.alone_sd()
    history, since = rest.history, dict(rest.since)
    for i, unit in enumerate(older.history.units):
        if unit in gone:
            wide_sd = float(alone_sd[i])
            history = history.joined(unit, mean=float(older.history.mean[i]), sd=wide_sd)
            since[unit] = _with_row_sd(older.since[unit], wide_sd)
    return HouseMemory(history=history, since=since, seq=memory.seq)


def _with_row_sd(since: Since, sd: float) -> Since:
    mean_um, _ = since.row
    return since if mean_um is None else replace(since, row=(mean_um, sd))


def _rewrite_rows(
    change: Change, memory: HouseMemory, lines: Mapping[str, JournalRow], *, prep_id: str
) -> None:
    """Write the memory into the rows of the prep's units again."""
    for unit_id, line in lines.items():
        kind = Kind(line.detail["kind"])
        unit, history = _unit(change, kind, unit_id), memory.row(kind, unit_id)
        if memory.history.epoch(kind, unit_id) is None:
            history = _history(line.detail["before"])
        is_new = (unit.history_mean_um, unit.history_sd_um) != history
        if unit.epoch == line.detail["epoch"] and is_new:
            keep_history(change, unit, history, what=FORGOTTEN, prep_id=prep_id)


def _history(kept: Iterable[float | None]) -> RowHistory:
    mean_um, sd_um = kept
    return UNKNOWN if sd_um is None else (mean_um, sd_um)


def _unit(change: Change, kind: Kind, unit_id: str) -> BodyRow | LensRow:
    return units.unit(change.connection, UNIT_ROWS[kind], unit_id)
