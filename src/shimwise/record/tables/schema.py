"""The record's tables: of each kind of row (:mod:`shimwise.record.tables.rows`), and those that join them.

A change here needs a migration; a test compares the two. Whatever may be withdrawn is never deleted.
"""

# ruff: noqa: ANN401 - parts of a table are of any kind

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

from shimwise.record.tables import rows
from shimwise.record.tables.columns import JsonText, columns_of

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
TABLE_OF: dict[type[Any], Table] = {}
"""The table of each kind of row."""


def word_of(kind: type[Any]) -> str:
    """Return what people call a row of this kind, such as ``set-up``."""
    word: str = TABLE_OF[kind].info["word"]
    return word


def _text(name: str, **more: Any) -> Column[str]:
    return Column(name, Text, nullable=False, **more)


def _to(name: str, target: str, *, is_nullable: bool = False, is_key: bool = False) -> Column[str]:
    return Column(name, Text, ForeignKey(f"{target}.id"), nullable=is_nullable, primary_key=is_key)


def _index(*columns: str) -> Index:
    return Index(None, *columns)


def _table(kind: type[Any], name: str, word: str, *parts: Any, key: str = "id") -> Table:
    """Make the table of a kind of row; ``parts``: columns without a field, constraints, indexes."""
    columns = columns_of(kind, key=key)
    info = {"word": word, "fields": tuple(column.name for column in columns)}
    table = Table(name, METADATA, *columns, *_shared(kind), *parts, info=info)
    TABLE_OF[kind] = table
    return table


def _shared(kind: type[Any]) -> Iterable[Any]:
    """Yield what rows of several kinds need in their tables."""
    if issubclass(kind, rows.Withdrawable):
        yield CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_reason = '')", name="withdrawn_with_reason"
        )
    if "unit_kind" in {one.name for one in fields(kind)}:  # either a body or a lens
        yield _to("body_id", "bodies", is_nullable=True)
        yield _to("lens_id", "lenses", is_nullable=True)
        yield CheckConstraint("(body_id IS NULL) <> (lens_id IS NULL)", name="one_unit")


def _places(name: str, owner: str, owners: str, unit: str, units: str, *parts: Any) -> Table:
    """Make a table of the units of a set or a prep, in their places."""
    return Table(
        name,
        METADATA,
        _to(owner, owners, is_key=True),
        Column("place", Integer, primary_key=True, autoincrement=False),
        _to(unit, units),
        UniqueConstraint(owner, unit),
        *parts,
    )


bodies = _table(rows.BodyRow, "bodies", "body", _text("name_key", unique=True))
lenses = _table(rows.LensRow, "lenses", "lens", _text("name_key", unique=True))
sets = _table(rows.SetRow, "sets", "set", _text("name_key", unique=True))
set_lenses = _places("set_lenses", "set_id", "sets", "lens_id", "lenses", _index("lens_id"))
people = _table(rows.PersonRow, "people", "person", _text("name_key", unique=True), _index("role"))
tokens = _table(
    rows.TokenRow,
    "tokens",
    "token",
    UniqueConstraint("digest"),
    CheckConstraint("kind IN ('device', 'program', 'session')", name="kind"),
)
short_lived = _table(rows.ShortLivedRow, "short_lived", "code or try", key="key")
settings = Table(
    "settings", METADATA, _text("key", primary_key=True), Column("value", JsonText, nullable=False)
)
preps = _table(
    rows.PrepRow,
    "preps",
    "prep",
    _text("title_key"),
    Column("reading_count", Integer, nullable=False),
    CheckConstraint("state IN ('open', 'done', 'signed')", name="state"),
    _index("started_at", "id", "title_key"),  # with the title, so that searching reads nothing else
    _index("state", "started_at", "id"),
    _index("set_id"),
)
prep_bodies = _places("prep_bodies", "prep_id", "preps", "body_id", "bodies", _index("body_id", "prep_id"))
prep_lenses = _places("prep_lenses", "prep_id", "preps", "lens_id", "lenses", _index("lens_id", "prep_id"))
setups = _table(rows.SetupRow, "setups", "set-up", _index("prep_id"))
readings = _table(rows.ReadingRow, "readings", "reading", UniqueConstraint("prep_id", "seq"))
gauges = _table(rows.GaugeRow, "gauges", "gauge", _index("prep_id"), _index("body_id"), _index("lens_id"))
sweeps = _table(rows.SweepRow, "sweeps", "sweep", _index("prep_id"))
verdicts = _table(rows.VerdictRow, "verdicts", "verdict", _index("prep_id", "revision", "given_at"))
unit_lines = _table(
    rows.UnitLineRow,
    "unit_lines",
    "line of a verdict",
    _text("id", primary_key=True),
    _index("prep_id"),
    _index("body_id", "given_at"),
    _index("lens_id", "given_at"),
)
adjustments = _table(
    rows.AdjustmentRow,
    "adjustments",
    "adjustment",
    _index("prep_id"),
    _index("body_id", "made_at"),
    _index("lens_id", "made_at"),
)
sign_offs = _table(rows.SignOffRow, "sign_offs", "sign-off", _index("prep_id"))
memories = _table(rows.MemoryRow, "memories", "memory", key="seq")
jobs = _table(
    rows.JobRow,
    "jobs",
    "job",
    CheckConstraint("kind IN ('verdict', 'learn', 'sweep')", name="kind"),
    CheckConstraint("state IN ('waiting', 'working', 'done', 'failed', 'cancelled')", name="state"),
    _index("state", "kind", "made_at"),
    _index("prep_id"),
)
sync_marks = _table(rows.SyncMarkRow, "sync_marks", "sync mark")
journal = _table(
    rows.JournalRow,
    "journal",
    "line of the journal",
    _index("prep_id", "seq"),
    _index("unit_id", "seq"),
    key="seq",
)

ORDER = tuple(METADATA.sorted_tables)
"""All tables, each after those it points to."""
