"""A prep in the place of another version of itself, as it came home or was taken along: nothing is lost.

Rows are added and changed, never deleted. What only this record had goes into a prep beside it, or the
prep is refused.
"""

# ruff: noqa: ANN401 - rows are of several kinds

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, update

from shimwise.record import journal
from shimwise.record.errors import Conflict
from shimwise.record.exchange.prep_json import (
    EVIDENCE,
    ReadPrep,
    add_journal,
    add_prep_row,
    export_prep,
    import_read,
    read_prep,
    refuse_contradicting,
    take_units,
)
from shimwise.record.exchange.sync_rows import ChangedMeanwhile, prep_entry
from shimwise.record.journal import Change
from shimwise.record.names import name_key
from shimwise.record.queries import preps, verdicts
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import insert, rewrite, row_if_kept, values_of
from shimwise.record.tables.rows import PrepRow, VerdictRow

BROUGHT_HOME, TAKEN_ALONG = "prep brought home", "prep taken along"


def put_prep(
    change: Change,
    document: Any,
    *,
    expected: int,
    beside: Any = None,
    what: str = TAKEN_ALONG,
    machine: str = "",
) -> int:
    """Put a prep as another record has it; return the number of its last line in the journal here.

    Parameters
    ----------
    document : mapping
        The prep, ``shimwise.prep/1``.
    expected : int
        The last line about it in the journal here when it was compared; 0 if it was not here.
    beside : mapping, optional
        A prep that takes what only this record had.
    what, machine : str
        For the journal: :data:`BROUGHT_HOME` or :data:`TAKEN_ALONG`, and from where.

    Raises
    ------
    ChangedMeanwhile
        If it was changed since it was compared.
    Conflict
        If something that is kept here would be lost.
    ExchangeError
        As :func:`shimwise.record.exchange.prep_json.import_prep`.
    """
    read = read_prep(document)
    prep_id = read.prep.id
    own = row_if_kept(change.connection, PrepRow, prep_id)
    last = journal.last_seq(change.connection, prep_id=prep_id)
    if last != expected and not (own is not None and _is_same(change.connection, document)):
        raise ChangedMeanwhile(
            f"The prep {read.prep.title} was changed meanwhile. Sync again.", kind="prep", id=prep_id
        )
    detail = {"title": read.prep.title, "from": machine}
    if own is not None and _is_same(change.connection, document):
        return last
    if own is None:
        import_read(change, read)
    else:
        _replace(change, read, None if beside is None else read_prep(beside))
    return change.note(what, prep_id=prep_id, detail=detail)


def _is_same(connection: Connection, document: Mapping[str, Any]) -> bool:
    """Return whether a prep is here as the document has it: it came before, and the answer was lost."""
    return prep_entry(export_prep(connection, document["prep"]["id"])).digest == prep_entry(document).digest


def _replace(change: Change, read: ReadPrep, beside: ReadPrep | None) -> None:
    connection, prep = change.connection, read.prep
    before = read_prep(export_prep(connection, prep.id))
    moved = {name: set() if beside is None else {row.id for row in beside.rows[name]} for name in EVIDENCE}
    for name in EVIDENCE:
        _refuse_lost(read, before, name, moved[name])
    new_signs = {row.id for row in read.rows["sign_offs"]} - {row.id for row in before.rows["sign_offs"]}
    take_units(change, read)
    _free_numbers(connection, prep.id)
    if beside is not None:
        add_prep_row(change, beside)
        _put_rows(change, beside.rows, of=(prep.id, beside.prep.id))
        add_journal(change, beside)
    _put_row(change, read)
    _put_rows(change, read.rows, of=(prep.id,))
    _lower_verdicts(change, read)
    refuse_contradicting(change, read)
    if beside is not None:
        refuse_contradicting(change, beside)
    add_journal(change, read, is_there=True)
    if new_signs:
        detail = {"prep_id": prep.id, "title": prep.title, "kept": []}
        change.note(journal.TAKEN_IN, detail=detail)


def _refuse_lost(read: ReadPrep, before: ReadPrep, name: str, moved: Iterable[str]) -> None:
    there = {row.id for row in read.rows[name]} | set(moved)
    lost = next((row for row in before.rows[name] if row.id not in there), None)
    if lost is None and name == "sign_offs":
        same = {row.id: row for row in read.rows[name]}
        lost = next((row for row in before.rows[name] if row != same[row.id]), None)
    if lost is not None:
        word = schema.word_of(type(lost))
        raise Conflict(
            f"The prep {before.prep.title} has the {word} {lost.id} here, which the other version lacks or "
            "has otherwise. Nothing is put in its place.",
            kind="prep",
            id=before.prep.id,
        )


def _free_numbers(connection: Connection, prep_id: str) -> None:
    """Turn the numbers of a prep's readings negative, so that each may take any other."""
    table = schema.readings
    connection.execute(update(table).where(table.c.prep_id == prep_id).values(seq=-table.c.seq))


def _put_row(change: Change, read: ReadPrep) -> None:
    prep = read.prep
    values = {**values_of(prep), "title_key": name_key(prep.title), "reading_count": read.reading_count}
    rewrite(change.connection, PrepRow, prep.id, **values)
    for table in (schema.prep_bodies, schema.prep_lenses):
        change.connection.execute(table.delete().where(table.c.prep_id == prep.id))
    preps.place_units(change, prep.id, prep.body_ids, prep.lens_ids)


def _put_rows(change: Change, rows: Mapping[str, list[Any]], *, of: tuple[str, ...]) -> None:
    """Add or change rows; one that is another prep's than ``of`` is refused."""
    for found in rows.values():
        for row in found:
            kept = row_if_kept(change.connection, type(row), row.id)
            if kept is None:
                insert(change.connection, row)
            elif kept.prep_id not in of:
                word = schema.word_of(type(row))
                raise Conflict(
                    f"The {word} {row.id} is in another prep here. Nothing is put in its place.",
                    kind=word,
                    id=row.id,
                )
            elif kept != row and not isinstance(row, VerdictRow):
                rewrite(change.connection, type(row), row.id, **values_of(row))


def _lower_verdicts(change: Change, read: ReadPrep) -> None:
    """Put verdicts that only this record gave below the newest of the prep as it is now.

    They were given on another version of it; what is signed is signed with the newest.
    """
    ids = {row.id for row in read.rows["verdicts"]}
    newest = max((row.revision for row in read.rows["verdicts"]), default=read.prep.revision)
    for row in verdicts.verdicts_of(change.connection, read.prep.id):
        lower = replace(row, revision=max(0, newest - 1))
        if row.id not in ids and row.revision > lower.revision:
            rewrite(change.connection, VerdictRow, row.id, revision=lower.revision)
