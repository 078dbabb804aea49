"""What a prep is judged on: set-ups, readings, gauges and sweeps. Nothing of it is deleted: it is withdrawn.

A row sent twice under one id is kept once, and answered as the first time. Functions that add or withdraw
raise NotFound if the prep or the row is unknown, and Conflict if an id is that of another row, a unit or a
set-up is unknown, or a row is withdrawn without a reason or for a second one.
"""

from dataclasses import replace
from typing import Any, TypeVar

from sqlalchemy import Connection, select

from shimwise.record.errors import Conflict, NotFound
from shimwise.record.journal import Change
from shimwise.record.queries.preps import ReadingPlace, place_of_reading, touch
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import insert, rewrite, row_by_id, rows_where, same_if_kept
from shimwise.record.tables.rows import GaugeRow, ReadingRow, SetupRow, SweepRow

Taken = TypeVar("Taken", ReadingRow, GaugeRow, SweepRow)
_ADDED = "reading added"


def add_setup(change: Change, row: SetupRow) -> SetupRow:
    """Add a set-up to its prep."""
    kept = same_if_kept(change.connection, row)
    if kept is not None:
        return kept
    touch(change, row.prep_id)
    insert(change.connection, row)
    change.note("set-up taped", prep_id=row.prep_id, detail={"setup_id": row.id, "name": row.name})
    return row


def setups(connection: Connection, prep_id: str) -> list[SetupRow]:
    """Return a prep's set-ups as they were taped."""
    return rows_where(connection, SetupRow, "taped_at", "id", prep_id=prep_id)


def add_reading(change: Change, row: ReadingRow, *, sent: str = "") -> ReadingRow:
    """Add a reading to its prep; return it with its number.

    Parameters
    ----------
    row : ReadingRow
        The reading; its ``seq`` is set here.
    sent : str
        Digest of what the client sent, which the journal keeps.
    """
    place = place_of_reading(change, row.prep_id, row.id)
    if place is not None:
        return add_new_reading(change, row, place, sent=sent)
    kept = same_if_kept(change.connection, row)
    if kept is None:
        raise NotFound("prep", row.prep_id)
    return kept


def add_new_reading(change: Change, row: ReadingRow, place: ReadingPlace, *, sent: str = "") -> ReadingRow:
    """Add a reading in its place in the prep, as :func:`add_reading` where no reading has its id."""
    row = replace(row, seq=place.number)
    insert(change.connection, row)
    detail: dict[str, Any] = {"reading_id": row.id, "number": row.seq}
    if sent:
        detail["sent_sha256"] = sent
    change.note(_ADDED, prep_id=row.prep_id, detail=detail)
    return row


def sent_digest(connection: Connection, row: ReadingRow) -> str:
    """Return the digest of what the client sent; empty if none was kept, as in older records."""
    lines = schema.journal
    wanted = select(lines.c.detail).where(lines.c.prep_id == row.prep_id, lines.c.what == _ADDED)
    for detail in connection.execute(wanted).scalars():
        if detail.get("reading_id") == row.id:
            return str(detail.get("sent_sha256", ""))
    return ""


def readings(
    connection: Connection, prep_id: str, *, body_id: str | None = None, lens_id: str | None = None
) -> list[ReadingRow]:
    """Return a prep's readings in their order, the withdrawn too; all, or those of a body or a lens."""
    units = {name: id_ for name, id_ in (("body_id", body_id), ("lens_id", lens_id)) if id_ is not None}
    return rows_where(connection, ReadingRow, "seq", prep_id=prep_id, **units)


def withdraw(change: Change, kind: type[Taken], row_id: str, *, reason: str) -> Taken:
    """Withdraw a reading, a gauge value or a sweep: it stays, with the reason, and is judged no more."""
    word = schema.word_of(kind)
    before = row_by_id(change.connection, kind, row_id)
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
    return _rewritten(change, before, values, "withdrawn", {"reason": reason})


def unwithdraw_reading(change: Change, reading_id: str) -> ReadingRow:
    """Take the withdrawal of a reading back."""
    before = row_by_id(change.connection, ReadingRow, reading_id)
    if before.withdrawn_at is None:
        return before
    values: dict[str, Any] = {"withdrawn_at": None, "withdrawn_by": "", "withdrawn_reason": ""}
    detail = {"reason_was": before.withdrawn_reason, "by_was": before.withdrawn_by}
    return _rewritten(change, before, values, "taken back in", detail)


def note_reading(change: Change, reading_id: str, *, note: str) -> ReadingRow:
    """Put another note to a reading; the journal keeps the one before."""
    before = row_by_id(change.connection, ReadingRow, reading_id)
    if before.note == note:
        return before
    return _rewritten(change, before, {"note": note}, "noted", {"note_was": before.note})


def add_gauge(change: Change, row: GaugeRow) -> GaugeRow:
    """Add a gauge value of a unit, within a prep or without."""
    return _added(change, row, unit_id=row.unit_id)


def gauges(connection: Connection, prep_id: str) -> list[GaugeRow]:
    """Return a prep's gauge values as they were taken, the withdrawn too."""
    return rows_where(connection, GaugeRow, "taken_at", "id", prep_id=prep_id)


def add_sweep(change: Change, row: SweepRow) -> SweepRow:
    """Add the result of a sweep to its prep."""
    return _added(change, row)


def sweeps(connection: Connection, prep_id: str) -> list[SweepRow]:
    """Return a prep's sweeps as they were taken, the withdrawn too."""
    return rows_where(connection, SweepRow, "taken_at", "id", prep_id=prep_id)


def _added(change: Change, row: Taken, *, unit_id: str | None = None) -> Taken:
    kept = same_if_kept(change.connection, row)
    if kept is not None:
        return kept
    if row.prep_id is not None:
        touch(change, row.prep_id)
    insert(change.connection, row)
    word = schema.word_of(type(row))
    change.note(f"{word} added", prep_id=row.prep_id, unit_id=unit_id, detail={f"{word}_id": row.id})
    return row


def _rewritten(
    change: Change, before: Taken, values: dict[str, Any], what: str, detail: dict[str, Any]
) -> Taken:
    word = schema.word_of(type(before))
    if before.prep_id is not None:
        touch(change, before.prep_id)
    rewrite(change.connection, type(before), before.id, **values)
    change.note(f"{word} {what}", prep_id=before.prep_id, detail={f"{word}_id": before.id, **detail})
    return replace(before, **values)
