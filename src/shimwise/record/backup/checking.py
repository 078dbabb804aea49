"""Whether a record agrees with itself: what the database guards, and what it cannot."""

import hashlib
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeAlias

from sqlalchemy import Connection, Table, and_, exists, func, or_, select, text, type_coerce

from shimwise.record.file_copy import Progress
from shimwise.record.record import Record
from shimwise.record.tables import schema

SHOWN = 20
"""Most contradictions of one kind."""
_ROWS_AT_ONCE = 200
"""Documents held in memory at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Something that cannot be. ``subject``: where, such as ``prep 1f…``; ``text``: what is wrong there."""

    subject: str
    text: str


def check(record: Record, *, progress: Progress | None = None) -> tuple[Contradiction, ...]:
    """Check whether a record agrees with itself; it may be in use meanwhile.

    Returns
    -------
    tuple of Contradiction
        Empty if all is well; of each kind at most 20.

    Raises
    ------
    RecordAway, RecordDamaged
        If it cannot even be read.
    """
    with record.reading() as connection:
        return contradictions(connection, progress=progress)


def contradictions(connection: Connection, *, progress: Progress | None = None) -> tuple[Contradiction, ...]:
    """Check as :func:`check` does, on a connection."""
    found: list[Contradiction] = []
    for done, contradicting in enumerate(_CHECKS, start=1):
        shown = islice(contradicting(connection), SHOWN)
        found += (Contradiction(subject=subject, text=words) for subject, words in shown)
        if progress is not None:
            progress(done, len(_CHECKS))
    return tuple(found)


_Found: TypeAlias = Iterator[tuple[str, str]]
"""Subjects and texts of contradictions."""


def _database(connection: Connection) -> _Found:
    if connection.dialect.name != "sqlite":
        return  # the server guards its own pages and keys
    for row in connection.execute(text("PRAGMA integrity_check")):
        if row[0] != "ok":
            yield "file", f"the database reports: {row[0]}."
    for row in connection.execute(text("PRAGMA foreign_key_check")):
        yield f"{row[0]}", f"a row points to {row[2]} that are not there."


def _journal(connection: Connection) -> _Found:
    seq = schema.journal.c.seq
    count, last, first = connection.execute(select(func.count(), func.max(seq), func.min(seq))).one()
    if count and (first != 1 or last != count):
        yield "journal", f"holds {count} lines numbered {first} to {last}: some are missing."


def _numbers(connection: Connection) -> _Found:
    table, preps = schema.readings, schema.preps.c
    counted = (
        select(table.c.prep_id, func.count().label("held"), func.max(table.c.seq).label("last"))
        .group_by(table.c.prep_id)
        .subquery()
    )
    held, last = func.coalesce(counted.c.held, 0), func.coalesce(counted.c.last, 0)
    wanted = (
        select(preps.id, preps.reading_count, held.label("held"), last.label("last"))
        .outerjoin_from(schema.preps, counted, counted.c.prep_id == preps.id)
        .where(or_(preps.reading_count != held, held != last))
    )
    for row in connection.execute(wanted):
        words = f"counts {row.reading_count} readings and holds {row.held}, numbered up to {row.last}."
        yield f"prep {row.id}", words


def _revisions(connection: Connection) -> _Found:
    for table, word in ((schema.verdicts, "verdict"), (schema.sign_offs, "sign-off")):
        wanted = (
            select(schema.preps.c.id, schema.preps.c.revision, func.max(table.c.revision).label("later"))
            .join(table, table.c.prep_id == schema.preps.c.id)
            .group_by(schema.preps.c.id, schema.preps.c.revision)
            .having(func.max(table.c.revision) > schema.preps.c.revision)
        )
        for row in connection.execute(wanted):
            yield f"prep {row.id}", f"is at revision {row.revision}, and has a {word} on {row.later}."


def _places(connection: Connection) -> _Found:
    setups, within = schema.setups, schema.prep_bodies
    for table, word in ((schema.readings, "reading"), (schema.sweeps, "sweep")):
        elsewhere = (
            select(table.c.id)
            .join(setups, setups.c.id == table.c.setup_id)
            .where(or_(setups.c.prep_id != table.c.prep_id, setups.c.body_id != table.c.body_id))
        )
        for row in connection.execute(elsewhere.limit(SHOWN)):
            yield f"{word} {row.id}", "is on a set-up of another prep or body."
        for of_prep, column in ((within, "body_id"), (schema.prep_lenses, "lens_id")):
            is_within = exists().where(
                and_(of_prep.c.prep_id == table.c.prep_id, of_prep.c[column] == table.c[column])
            )
            for row in connection.execute(select(table.c.id).where(~is_within).limit(SHOWN)):
                yield f"{word} {row.id}", f"is of a {column[:4]} that its prep does not name."


def _withdrawals(connection: Connection) -> _Found:
    for table, word in ((schema.readings, "reading"), (schema.gauges, "gauge"), (schema.sweeps, "sweep")):
        wanted = select(table.c.id).where(table.c.withdrawn_at.is_not(None), table.c.withdrawn_reason == "")
        for row in connection.execute(wanted.limit(SHOWN)):
            yield f"{word} {row.id}", "is withdrawn without a reason."


def _epochs(connection: Connection) -> _Found:
    table = schema.adjustments
    for units, column, word in (
        (schema.bodies, table.c.body_id, "body"),
        (schema.lenses, table.c.lens_id, "lens"),
    ):
        wanted = (
            select(units.c.id, units.c.name, units.c.epoch, func.max(table.c.epoch_after).label("last"))
            .join(table, column == units.c.id)
            .group_by(units.c.id, units.c.name, units.c.epoch)
            .having(func.max(table.c.epoch_after) > units.c.epoch)
        )
        for row in connection.execute(wanted):
            words = f"is in epoch {row.epoch}, and was adjusted into epoch {row.last}."
            yield f"{word} {row.name}", words


def _documents(connection: Connection) -> _Found:
    """Read every document."""
    for column, word in ((schema.verdicts.c.document, "verdict"), (schema.sweeps.c.result, "sweep")):
        for row, document in _unpacked(connection, column):
            if isinstance(document, Exception):
                yield f"{word} {row.id}", f"has a document that cannot be read: {document}."
            elif not isinstance(document, dict) or "schema" not in document:
                yield f"{word} {row.id}", "has no document of a known kind."


def _signatures(connection: Connection) -> _Found:
    """Compute the digest of every signature from what was signed."""
    for row, signed in _unpacked(connection, schema.sign_offs.c.signed_json):
        if isinstance(signed, Exception):
            yield f"sign-off {row.id}", f"has a document that cannot be read: {signed}."
        elif signed is not None and hashlib.sha256(signed.encode()).hexdigest() != row.digest:
            yield (
                f"sign-off {row.id}",
                "is not over the document that is kept with it: its digest is another.",
            )


def _unpacked(connection: Connection, column: Any) -> Iterator[tuple[Any, Any]]:  # noqa: ANN401
    """Yield all rows of a column's table with its value, or the error by which that cannot be read."""
    raw = type_coerce(column, column.type.impl).label("raw")
    table: Table = column.table
    others = (one for one in table.c if one.name in ("id", "digest"))
    with connection.execute(select(*others, raw).execution_options(yield_per=_ROWS_AT_ONCE)) as found:
        for row in found:
            try:
                yield row, column.type.process_result_value(row.raw, connection.dialect)
            except (ValueError, zlib.error) as error:
                yield row, error


_CHECKS = (
    _database,
    _journal,
    _numbers,
    _revisions,
    _places,
    _withdrawals,
    _epochs,
    _documents,
    _signatures,
)
