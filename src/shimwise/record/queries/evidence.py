"""What a prep is judged on: set-ups, readings, gauges and sweeps. Nothing of it is deleted: it is withdrawn.

A row sent twice under one id is kept once, and answered as the first time.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import Connection, Table, select, update

from shimwise.record.errors import Conflict
from shimwise.record.queries.preps import next_reading_number, touch
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import from_mapping, insert, one, rows_of, same_or_conflict
from shimwise.record.tables.rows import GaugeRow, ReadingRow, SetupRow, SweepRow

if TYPE_CHECKING:
    from shimwise.record.record import Change

__all__ = [
    "add_gauge",
    "add_reading",
    "add_setup",
    "add_sweep",
    "gauge",
    "gauges",
    "reading",
    "reading_if_kept",
    "readings",
    "sent_digest",
    "setup",
    "setups",
    "sweep",
    "sweeps",
    "unit_gauges",
    "unwithdraw_gauge",
    "unwithdraw_reading",
    "unwithdraw_sweep",
    "withdraw_gauge",
    "withdraw_reading",
    "withdraw_sweep",
]

Withdrawable = TypeVar("Withdrawable", ReadingRow, GaugeRow, SweepRow)
_KINDS: dict[type[Any], tuple[Table, str]] = {
    SetupRow: (schema.setups, "set-up"),
    ReadingRow: (schema.readings, "reading"),
    GaugeRow: (schema.gauges, "gauge"),
    SweepRow: (schema.sweeps, "sweep"),
}
_ADDED = "reading added"
_TAKEN = frozenset({"taken_at", "taped_at", "setup_id"})
"""Not compared when a row is sent again: when, and the set-up that the first sending may have made."""


def add_setup(change: "Change", row: SetupRow) -> SetupRow:
    """Add a set-up to its prep.

    Raises
    ------
    NotFound
        When there is no such prep.
    Conflict
        When the id is another set-up's.
    """
    kept = _kept(change, row)
    if kept is not None:
        return kept
    touch(change, row.prep_id)
    insert(change.connection, schema.setups, row)
    change.note("set-up taped", prep_id=row.prep_id, detail={"setup_id": row.id, "name": row.name})
    return row


def setup(connection: Connection, setup_id: str) -> SetupRow:
    """Give a set-up.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    return from_mapping(SetupRow, one(connection, schema.setups, setup_id, "set-up"))


def setups(connection: Connection, prep_id: str) -> list[SetupRow]:
    """List a prep's set-ups as they were taped."""
    table = schema.setups
    wanted = select(table).where(table.c.prep_id == prep_id).order_by(table.c.taped_at, table.c.id)
    return rows_of(connection, wanted, SetupRow)


def add_reading(change: "Change", row: ReadingRow, *, sent: str = "") -> ReadingRow:
    """Add a reading to its prep; gives it with its number.

    Parameters
    ----------
    row : ReadingRow
        The reading; its number in the prep is given here.
    sent : str
        Digest of what was sent of it, which the journal keeps.

    Raises
    ------
    NotFound
        When there is no such prep.
    Conflict
        When the id is another reading's, or its set-up or units are not known.
    """
    kept = _kept(change, row)
    if kept is not None:
        return kept
    row = replace(row, seq=next_reading_number(change, row.prep_id))
    insert(change.connection, schema.readings, row)
    detail: dict[str, Any] = {"reading_id": row.id, "number": row.seq}
    if sent:
        detail["sent_sha256"] = sent
    change.note(_ADDED, prep_id=row.prep_id, detail=detail)
    return row


def reading(connection: Connection, reading_id: str) -> ReadingRow:
    """Give a reading, withdrawn or not.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    return from_mapping(ReadingRow, one(connection, schema.readings, reading_id, "reading"))


def reading_if_kept(connection: Connection, reading_id: str) -> ReadingRow | None:
    """Give a reading, or None where there is none of this id."""
    wanted = select(schema.readings).where(schema.readings.c.id == reading_id)
    return next(iter(rows_of(connection, wanted, ReadingRow)), None)


def sent_digest(connection: Connection, row: ReadingRow) -> str:
    """Give the digest of what was sent of a reading; empty where none was kept, as in older records."""
    lines = schema.journal
    wanted = select(lines.c.detail).where(lines.c.prep_id == row.prep_id, lines.c.what == _ADDED)
    for detail in connection.execute(wanted).scalars():
        if detail.get("reading_id") == row.id:
            return str(detail.get("sent_sha256", ""))
    return ""


def readings(
    connection: Connection, prep_id: str, *, body_id: str | None = None, lens_id: str | None = None
) -> list[ReadingRow]:
    """List a prep's readings in their order, the withdrawn too; all, or those of a body and a lens alone."""
    table = schema.readings
    wanted = select(table).where(table.c.prep_id == prep_id).order_by(table.c.seq)
    if body_id is not None:
        wanted = wanted.where(table.c.body_id == body_id)
    if lens_id is not None:
        wanted = wanted.where(table.c.lens_id == lens_id)
    return rows_of(connection, wanted, ReadingRow)


def withdraw_reading(change: "Change", reading_id: str, *, reason: str) -> ReadingRow:
    """Withdraw a reading: it stays, with the reason, and is judged no more.

    Raises
    ------
    NotFound
        When there is none of this id.
    Conflict
        When it is withdrawn for another reason already, or none is given.
    """
    return _withdraw(change, ReadingRow, reading_id, reason)


def unwithdraw_reading(change: "Change", reading_id: str) -> ReadingRow:
    """Take a withdrawal back.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    return _unwithdraw(change, ReadingRow, reading_id)


def add_gauge(change: "Change", row: GaugeRow) -> GaugeRow:
    """Add a gauge value of a unit, within a prep or without.

    Raises
    ------
    NotFound
        When there is no such prep.
    Conflict
        When the id is another gauge's, or the unit is not known.
    """
    kept = _kept(change, row)
    if kept is not None:
        return kept
    if row.prep_id is not None:
        touch(change, row.prep_id)
    insert(change.connection, schema.gauges, row)
    change.note("gauge added", prep_id=row.prep_id, unit_id=row.unit_id, detail={"gauge_id": row.id})
    return row


def gauge(connection: Connection, gauge_id: str) -> GaugeRow:
    """Give a gauge value, withdrawn or not.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    return from_mapping(GaugeRow, one(connection, schema.gauges, gauge_id, "gauge"))


def gauges(connection: Connection, prep_id: str) -> list[GaugeRow]:
    """List a prep's gauge values as they were taken, the withdrawn too."""
    table = schema.gauges
    wanted = select(table).where(table.c.prep_id == prep_id).order_by(table.c.taken_at, table.c.id)
    return rows_of(connection, wanted, GaugeRow)


def unit_gauges(connection: Connection, unit_id: str) -> list[GaugeRow]:
    """List all gauge values of a body or a lens as they were taken, the withdrawn too."""
    table = schema.gauges
    found: list[GaugeRow] = []
    for column in (table.c.body_id, table.c.lens_id):
        wanted = select(table).where(column == unit_id).order_by(table.c.taken_at, table.c.id)
        found += rows_of(connection, wanted, GaugeRow)
    return found


def withdraw_gauge(change: "Change", gauge_id: str, *, reason: str) -> GaugeRow:
    """Withdraw a gauge value, as :func:`withdraw_reading`."""
    return _withdraw(change, GaugeRow, gauge_id, reason)


def unwithdraw_gauge(change: "Change", gauge_id: str) -> GaugeRow:
    """Take the withdrawal of a gauge value back."""
    return _unwithdraw(change, GaugeRow, gauge_id)


def add_sweep(change: "Change", row: SweepRow) -> SweepRow:
    """Add what a sweep said to its prep.

    Raises
    ------
    NotFound
        When there is no such prep.
    Conflict
        When the id is another sweep's, or its set-up or units are not known.
    """
    kept = _kept(change, row)
    if kept is not None:
        return kept
    touch(change, row.prep_id)
    insert(change.connection, schema.sweeps, row)
    change.note("sweep added", prep_id=row.prep_id, detail={"sweep_id": row.id})
    return row


def sweep(connection: Connection, sweep_id: str) -> SweepRow:
    """Give a sweep, withdrawn or not.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    return from_mapping(SweepRow, one(connection, schema.sweeps, sweep_id, "sweep"))


def sweeps(connection: Connection, prep_id: str) -> list[SweepRow]:
    """List a prep's sweeps as they were taken, the withdrawn too."""
    table = schema.sweeps
    wanted = select(table).where(table.c.prep_id == prep_id).order_by(table.c.taken_at, table.c.id)
    return rows_of(connection, wanted, SweepRow)


def withdraw_sweep(change: "Change", sweep_id: str, *, reason: str) -> SweepRow:
    """Withdraw a sweep, as :func:`withdraw_reading`."""
    return _withdraw(change, SweepRow, sweep_id, reason)


def unwithdraw_sweep(change: "Change", sweep_id: str) -> SweepRow:
    """Take the withdrawal of a sweep back."""
    return _unwithdraw(change, SweepRow, sweep_id)


Row = TypeVar("Row", SetupRow, ReadingRow, GaugeRow, SweepRow)


def _kept(change: "Change", row: Row) -> Row | None:
    """Give the row that is kept under this id already, if it says the same."""
    table, kind = _KINDS[type(row)]
    found = change.connection.execute(select(table).where(table.c.id == row.id)).mappings().one_or_none()
    if found is None:
        return None
    kept: Row = from_mapping(type(row), found)
    same_or_conflict(kept, row, kind=kind, server_made=_TAKEN)
    return kept


def _withdraw(change: "Change", kind: type[Withdrawable], row_id: str, reason: str) -> Withdrawable:
    table, word = _KINDS[kind]
    before: Withdrawable = from_mapping(kind, one(change.connection, table, row_id, word))
    if not reason.strip():
        raise Conflict(f"A {word} is withdrawn with a reason only; say why.", kind=word, id=row_id)
    if before.withdrawn_at is not None:
        if before.withdrawn_reason == reason:
            return before
        raise Conflict(
            f"This {word} is withdrawn already, by {before.withdrawn_by}: {before.withdrawn_reason}.",
            kind=word,
            id=row_id,
        )
    values = {"withdrawn_at": change.at, "withdrawn_by": change.who, "withdrawn_reason": reason}
    return _rewritten(change, before, values, f"{word} withdrawn", {f"{word}_id": row_id, "reason": reason})


def _unwithdraw(change: "Change", kind: type[Withdrawable], row_id: str) -> Withdrawable:
    table, word = _KINDS[kind]
    before: Withdrawable = from_mapping(kind, one(change.connection, table, row_id, word))
    if before.withdrawn_at is None:
        return before
    values: dict[str, Any] = {"withdrawn_at": None, "withdrawn_by": "", "withdrawn_reason": ""}
    detail = {f"{word}_id": row_id, "reason_was": before.withdrawn_reason, "by_was": before.withdrawn_by}
    return _rewritten(change, before, values, f"{word} taken back in", detail)


def _rewritten(
    change: "Change", before: Withdrawable, values: dict[str, Any], what: str, detail: dict[str, Any]
) -> Withdrawable:
    table, _ = _KINDS[type(before)]
    if before.prep_id is not None:
        touch(change, before.prep_id)
    change.connection.execute(update(table).where(table.c.id == before.id).values(values))
    change.note(what, prep_id=before.prep_id, detail=detail)
    return replace(before, **values)
