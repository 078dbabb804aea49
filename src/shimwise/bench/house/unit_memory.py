"""The house's memory as the record keeps it, and what a job may use of it."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from shimwise.bench.house.drift_rate import rates_of
from shimwise.inference.history.house_memory import UNKNOWN, HouseMemory, RowHistory
from shimwise.inference.model.joint_memory import Unit
from shimwise.inference.model.kinds import UNKNOWN_SD, Kind
from shimwise.record import Connection
from shimwise.record.queries import memories
from shimwise.record.tables.rows import BodyRow, LensRow


def memory_in(connection: Connection) -> HouseMemory:
    """Return the memory in force."""
    row = memories.newest_memory(connection)
    return HouseMemory.empty() if row is None else HouseMemory.from_json(row.document, seq=row.seq)


def faded_memory(
    connection: Connection, units: Iterable[BodyRow | LensRow], *, prep_id: str, at: datetime
) -> HouseMemory:
    """Return the memory as a prep finds it: faded until ``at``, without what a person typed over."""
    rows = list(units)
    rates = rates_of(connection)
    trusted = _trusted(memory_in(connection), rows)
    return trusted.faded([row.id for row in rows], prep_id=prep_id, at=at, rates=rates)


def alone_at(
    connection: Connection, units: Sequence[BodyRow | LensRow], *, at: datetime
) -> dict[str, RowHistory]:
    """Return what a job at ``at`` may use of each unit by id, wide enough to be used as independent.

    A unit that is not remembered has the history of its row.
    """
    memory = faded_memory(connection, units, prep_id="", at=at)
    known = memory.history.only(Unit(kind_of(row), row.id, row.epoch) for row in units)
    wide_sd = known.alone_sd()
    found: dict[str, RowHistory] = {row.id: (row.history_mean_um, row.history_sd_um) for row in units}
    for i, unit in enumerate(known.units):
        is_more = wide_sd[i] < UNKNOWN_SD[unit.kind]
        found[unit.name] = (float(known.mean[i]), float(wide_sd[i])) if is_more else UNKNOWN
    return found


def kind_of(row: BodyRow | LensRow) -> Kind:
    """Return the kind of a row's own unit in a memory."""
    return Kind.BODY if isinstance(row, BodyRow) else Kind.LENS


def _trusted(memory: HouseMemory, units: Iterable[BodyRow | LensRow]) -> HouseMemory:
    """Return the memory without the units whose row differs from it: a person has typed it since."""
    gone = []
    for row in units:
        kind = kind_of(row)
        if memory.row(kind, row.id) != (row.history_mean_um, row.history_sd_um):
            gone += [unit for unit in memory.history.units if (unit.kind, unit.name) == (kind, row.id)]
    return memory.without(gone) if gone else memory
