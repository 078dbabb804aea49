"""Epochs of a unit that was adjusted in two records from one state: put in order of time, each its own.

An epoch is counted in adjustments. Rows of a prep that is not signed are counted anew. Those of a signed one
stay as they were signed, and the prep keeps by how much its epochs are shifted.
"""

# ruff: noqa: ANN401 - rows are of several kinds

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import Connection, select, update

from shimwise.record.errors import Conflict
from shimwise.record.journal import Change
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import UNIT_COLUMNS, UNIT_ROWS, rewrite, row_by_id, rows_of, rows_where
from shimwise.record.tables.rows import AdjustmentRow, GaugeRow, PrepRow, ReadingRow, SweepRow

T = TypeVar("T", ReadingRow, SweepRow, GaugeRow, AdjustmentRow)
ORDERED = "epochs put in order of time"
_TIMES = {ReadingRow: "taken_at", SweepRow: "taken_at", GaugeRow: "taken_at", AdjustmentRow: "made_at"}


def shifted(rows: Iterable[T], shifts: Mapping[str, int] | None) -> tuple[T, ...]:
    """Return rows in the epochs of their units as the record counts them now; ``shifts`` are their prep's."""
    return tuple(rows) if not shifts else tuple(_shifted(row, shifts) for row in rows)


def shifts_by_prep(connection: Connection) -> dict[str, dict[str, int]]:
    """Return the shifts of all preps that have any, which are few, by prep and unit."""
    table = schema.preps
    wanted = select(table.c.id, table.c.epoch_shifts).where(table.c.epoch_shifts.is_not(None))
    return {row.id: dict(row.epoch_shifts) for row in connection.execute(wanted)}


def settle(change: Change, prep_id: str) -> None:
    """Count the rows of a prep that is open again as the record does now: its shifts are theirs."""
    shifts = shifts_by_prep(change.connection).get(prep_id)
    if shifts is None:
        return
    for kind in _TIMES:
        found: list[Any] = rows_where(change.connection, kind, prep_id=prep_id)
        for row in found:
            _rewrite(change, row, _shifted(row, shifts))
    rewrite(change.connection, PrepRow, prep_id, epoch_shifts=None)


def order_epochs(
    change: Change, kind: str, unit_id: str, *, base: int, order: Sequence[tuple[str, datetime]]
) -> None:
    """Assign each adjustment its own epoch, in an order of time.

    Parameters
    ----------
    kind, unit_id : str
        The unit.
    base : int
        Its epoch before the first of them.
    order : sequence of (id, time)
        All adjustments since, of both records, by the clock of this one.

    Raises
    ------
    Conflict
        If this record has one since that is not among them.
    """
    connection = change.connection
    row = row_by_id(connection, UNIT_ROWS[kind], unit_id)
    shifts = shifts_by_prep(connection)
    own = {one.id: one for one in _of_unit(connection, AdjustmentRow, kind, unit_id, None, shifts)}
    wanted = {id_: base + place for place, (id_, _) in enumerate(order, start=1)}
    strange = next((one for one in own.values() if one.epoch_after > base and one.id not in wanted), None)
    if strange is not None:
        raise Conflict(f"The {kind} {row.name} was adjusted meanwhile. Sync again.", kind=kind, id=unit_id)
    last = base + len(order)
    if row.epoch >= last and all(own[id_].epoch_after == at for id_, at in wanted.items() if id_ in own):
        return
    foreign = sorted(at for id_, at in order if id_ not in own)
    first = foreign[0] if foreign else None
    found = [
        (one, sum(at < getattr(one, _TIMES[of]) for at in foreign))
        for of in _TIMES
        for one in _of_unit(connection, of, kind, unit_id, first, shifts)
        if _epoch(one, kind) >= base
    ]
    signed = _signed(connection, {one.prep_id for one, _ in found if one.prep_id is not None})
    moved: dict[str, int] = {}
    for one, later in found:
        if one.prep_id is not None:
            moved[one.prep_id] = max(later, moved.get(one.prep_id, 0))
        if one.prep_id not in signed:
            _rewrite(change, one, _shifted(one, {unit_id: later}))
    for prep_id, later in moved.items():
        _move_prep(
            change, prep_id, kind, unit_id, later, shifts.get(prep_id, {}) if prep_id in signed else None
        )
    rewrite(connection, type(row), unit_id, epoch=last, history_mean_um=None, history_sd_um=None)
    before = [row.history_mean_um, row.history_sd_um]
    detail = {"kind": kind, "epoch": last, "before": before, "after": [None, None]}
    change.note(ORDERED, unit_id=unit_id, detail={**detail, "order": [id_ for id_, _ in order]})


def _of_unit(
    connection: Connection,
    of: type[T],
    kind: str,
    unit_id: str,
    after: datetime | None,
    shifts: Mapping[str, Mapping[str, int]],
) -> list[T]:
    """Return rows about a unit, taken after a time, in the epochs as the record counts them now."""
    table = schema.TABLE_OF[of]
    wanted = select(table).where(table.c[UNIT_COLUMNS[kind]] == unit_id)
    if after is not None:
        wanted = wanted.where(table.c[_TIMES[of]] > after)
    found = rows_of(connection, wanted, of)
    return [_shifted(row, shifts.get(row.prep_id or "", {})) for row in found]


def _shifted(row: T, shifts: Mapping[str, int]) -> T:
    if isinstance(row, ReadingRow | SweepRow):
        body, lens = shifts.get(row.body_id, 0), shifts.get(row.lens_id, 0)
        return replace(row, body_epoch=row.body_epoch + body, lens_epoch=row.lens_epoch + lens)
    by = shifts.get(row.unit_id, 0)
    if isinstance(row, GaugeRow):
        return replace(row, epoch=row.epoch + by)
    return replace(row, epoch_before=row.epoch_before + by, epoch_after=row.epoch_after + by)


def _epoch(row: Any, kind: str) -> int:
    for name in (f"{kind}_epoch", "epoch", "epoch_before"):
        if hasattr(row, name):
            return int(getattr(row, name))
    raise LookupError(type(row))  # pragma: no cover - each kind has one


def _rewrite(change: Change, before: T, after: T) -> None:
    if before == after:
        return
    names = ("body_epoch", "lens_epoch", "epoch", "epoch_before", "epoch_after")
    values = {name: getattr(after, name) for name in names if hasattr(after, name)}
    rewrite(change.connection, type(after), after.id, **values)


def _signed(connection: Connection, prep_ids: set[str]) -> set[str]:
    """Return which of some preps are signed; those about one unit since it was adjusted are few."""
    table = schema.preps
    wanted = select(table.c.id).where(table.c.state == "signed", table.c.id.in_(sorted(prep_ids)))
    return set(connection.execute(wanted).scalars())


def _move_prep(
    change: Change, prep_id: str, kind: str, unit_id: str, later: int, shifts: Mapping[str, int] | None
) -> None:
    """Move a unit's line of a prep's verdict along; ``shifts``: of a signed prep, which gets another one."""
    lines = schema.unit_lines
    of_unit = (lines.c.prep_id == prep_id) & (lines.c[UNIT_COLUMNS[kind]] == unit_id)
    change.connection.execute(update(lines).where(of_unit).values(epoch=lines.c.epoch + later))
    if shifts is not None:
        values = {**shifts, unit_id: shifts.get(unit_id, 0) + later}
        rewrite(change.connection, PrepRow, prep_id, epoch_shifts=values)
    change.note("epochs counted anew", prep_id=prep_id, detail={"unit_id": unit_id, "by": later})
