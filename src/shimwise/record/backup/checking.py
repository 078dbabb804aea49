"""Whether a record agrees with itself: what the database guards, and what it cannot."""

import hashlib
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice

from sqlalchemy import Connection, and_, exists, func, or_, select, text, type_coerce

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


def check(record: Record, *, progress: Callable[[int, int], None] | None = None) -> tuple[Contradiction, ...]:
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


def contradictions(
    connection: Connection, *, progress: Callable[[int, int], None] | None = None
) -> tuple[Contradiction, ...]:
    """Check as :func:`check` does, on a connection."""
    found: list[Contradiction] = []
    for done, contradicting in enumerate(_CHECKS, start=1):
        found += islice(contradicting(connection), SHOWN)
        if progress is not None:
            progress(done, len(_CHECKS))
    return tuple(found)


def _database(connection: Connection) -> Iterator[Contradiction]:
    if connection.dialect.name != "sqlite":
        return  # the server guards its own pages and keys
    for row in connection.execute(text("PRAGMA integrity_check")):
        if row[0] != "ok":
            yield Contradiction(subject="file", text=f"the database reports: {row[0]}.")
    for row in connection.execute(text("PRAGMA foreign_key_check")):
        yield Contradiction(subject=f"{row[0]}", text=f"a row points to {row[2]} that are not there.")


def _journal(connection: Connection) -> Iterator[Contradiction]:
    seq = schema.journal.c.seq
    count, last, first = connection.execute(select(func.count(), func.max(seq), func.min(seq))).one()
    if count and (first != 1 or last != count):
        yield Contradiction(
            subject="journal", text=f"holds {count} lines numbered {first} to {last}: some are missing."
        )


def _numbers(connection: Connection) -> Iterator[Contradiction]:
    table = schema.readings
    counted = (
        select(table.c.prep_id, func.count().label("held"), func.max(table.c.seq).label("last"))
        .group_by(table.c.prep_id)
        .subquery()
    )
    wanted = (
        select(schema.preps.c.id, schema.preps.c.reading_count, counted.c.held, counted.c.last)
        .join_from(schema.preps, counted, counted.c.prep_id == schema.preps.c.id, isouter=True)
        .where(
            or_(
                schema.preps.c.reading_count != func.coalesce(counted.c.held, 0),
                counted.c.held != counted.c.last,
            )
        )
    )
    for row in connection.execute(wanted):
        yield Contradiction(
            subject=f"prep {row.id}",
            text=f"counts {row.reading_count} readings and holds {row.held or 0}, "
            f"numbered up to {row.last or 0}.",
        )


def _revisions(connection: Connection) -> Iterator[Contradiction]:
    for table, word in ((schema.verdicts, "verdict"), (schema.sign_offs, "sign-off")):
        wanted = (
            select(schema.preps.c.id, schema.preps.c.revision, func.max(table.c.revision).label("later"))
            .join(table, table.c.prep_id == schema.preps.c.id)
            .group_by(schema.preps.c.id, schema.preps.c.revision)
            .having(func.max(table.c.revision) > schema.preps.c.revision)
        )
        for row in connection.execute(wanted):
            yield Contradiction(
                subject=f"prep {row.id}",
                text=f"is at revision {row.revision}, and has a {word} on {row.later}.",
            )


def _places(connection: Connection) -> Iterator[Contradiction]:
    setups, within = schema.setups, schema.prep_bodies
    for table, word in ((schema.readings, "reading"), (schema.sweeps, "sweep")):
        elsewhere = (
            select(table.c.id)
            .join(setups, setups.c.id == table.c.setup_id)
            .where(or_(setups.c.prep_id != table.c.prep_id, setups.c.body_id != table.c.body_id))
        )
        for row in connection.execute(elsewhere.limit(SHOWN)):
            yield Contradiction(subject=f"{word} {row.id}", text="is on a set-up of another prep or body.")
        for of_prep, column in ((within, "body_id"), (schema.prep_lenses, "lens_id")):
            is_within = exists().where(
                and_(of_prep.c.prep_id == table.c.prep_id, of_prep.c[column] == table.c[column])
            )
            for row in connection.execute(select(table.c.id).where(~is_within).limit(SHOWN)):
                yield Contradiction(
                    subject=f"{word} {row.id}", text=f"is of a {column[:4]} that its prep does not name."
                )


def _withdrawals(connection: Connection) -> Iterator[Contradiction]:
    for table, word in ((schema.readings, "reading"), (schema.gauges, "gauge"), (schema.sweeps, "sweep")):
        wanted = select(table.c.id).where(table.c.withdrawn_at.is_not(None), table.c.withdrawn_reason == "")
        for row in connection.execute(wanted.limit(SHOWN)):
            yield Contradiction(subject=f"{word} {row.id}", text="is withdrawn without a reason.")


def _epochs(connection: Connection) -> Iterator[Contradiction]:
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
            yield Contradiction(
                subject=f"{word} {row.name}",
                text=f"is in epoch {row.epoch}, and was adjusted into epoch {row.last}.",
            )


def _documents(connection: Connection) -> Iterator[Contradiction]:
    """Read every document."""
    for table, column, word in (
        (schema.verdicts, schema.verdicts.c.document, "verdict"),
        (schema.sweeps, schema.sweeps.c.result, "sweep"),
    ):
        raw = select(table.c.id, type_coerce(column, column.type.impl).label("raw"))  # type: ignore[attr-defined]
        with connection.execute(raw.execution_options(yield_per=_ROWS_AT_ONCE)) as found:
            for row in found:
                try:
                    document = column.type.process_result_value(row.raw, connection.dialect)  # type: ignore[attr-defined]
                except (ValueError, zlib.error) as error:
                    yield Contradiction(
                        subject=f"{word} {row.id}", text=f"has a document that cannot be read: {error}."
                    )
                    continue
                if not isinstance(document, dict) or "schema" not in document:
                    yield Contradiction(subject=f"{word} {row.id}", text="has no document of a known kind.")


def _signatures(connection: Connection) -> Iterator[Contradiction]:
    """Compute the digest of every signature from what was signed."""
    table = schema.sign_offs
    column = type_coerce(table.c.signed_json, table.c.signed_json.type.impl)  # type: ignore[attr-defined]
    wanted = select(table.c.id, table.c.digest, column.label("packed")).where(column.is_not(None))
    with connection.execute(wanted.execution_options(yield_per=_ROWS_AT_ONCE)) as found:
        for row in found:
            try:
                is_whole = hashlib.sha256(zlib.decompress(row.packed)).hexdigest() == row.digest
            except zlib.error as error:
                yield Contradiction(
                    subject=f"sign-off {row.id}", text=f"has a document that cannot be read: {error}."
                )
                continue
            if not is_whole:
                yield Contradiction(
                    subject=f"sign-off {row.id}",
                    text="is not over the document that is kept with it: its digest is another.",
                )


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
