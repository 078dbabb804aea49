"""The record's tables. What a row means is told in :mod:`shimwise.record.tables.rows`.

A change here needs a migration; a test compares the two. Whatever may be withdrawn is never deleted.
"""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

from shimwise.record.tables.columns import JsonList, JsonText, LengthTable, PackedJson, PackedText, UtcTime

__all__ = ["METADATA", "ORDER"]

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _id(**more: Any) -> "Column[str]":
    return Column("id", Text, primary_key=True, **more)


def _to(name: str, target: str, *, is_needed: bool = True, is_key: bool = False) -> "Column[str]":
    return Column(name, Text, ForeignKey(f"{target}.id"), nullable=not is_needed, primary_key=is_key)


def _text(name: str) -> "Column[str]":
    return Column(name, Text, nullable=False)


def _number(name: str, *, is_needed: bool = False) -> "Column[float]":
    return Column(name, Float(53), nullable=not is_needed)


def _count(name: str) -> "Column[int]":
    return Column(name, Integer, nullable=False)


def _time(name: str, *, is_needed: bool = True) -> "Column[Any]":
    return Column(name, UtcTime, nullable=not is_needed)


def _withdrawal() -> list[Any]:
    return [
        _time("withdrawn_at", is_needed=False),
        _text("withdrawn_by"),
        _text("withdrawn_reason"),
        CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_reason = '')",
            name="withdrawn_with_reason",
        ),
    ]


def _unit() -> list[Any]:
    """Either a body or a lens."""
    return [
        _to("body_id", "bodies", is_needed=False),
        _to("lens_id", "lenses", is_needed=False),
        CheckConstraint("(body_id IS NULL) <> (lens_id IS NULL)", name="one_unit"),
    ]


def _named() -> list[Any]:
    return [_id(), _text("name"), Column("name_key", Text, nullable=False, unique=True)]


def _of_unit() -> list[Any]:
    return [
        _number("history_mean_um"),
        _number("history_sd_um"),
        _count("epoch"),
        _text("note"),
        Column("is_retired", Boolean, nullable=False),
    ]


bodies = Table(
    "bodies",
    METADATA,
    *_named(),
    _text("serial"),
    _text("mount"),
    _number("pixel_pitch_um"),
    _number("circle_of_confusion_um"),
    _number("tolerance_um"),
    Column("mechanism", JsonText),
    *_of_unit(),
)
lenses = Table(
    "lenses",
    METADATA,
    *_named(),
    _text("serial"),
    _text("mount"),
    Column("focal_lengths_mm", JsonList, nullable=False),
    _number("fnumber"),
    _number("separation_mm"),
    _text("focus_design"),
    _number("squeeze", is_needed=True),
    Column("by_distance", LengthTable, nullable=False),
    _number("near_mm"),
    _text("scale_unit"),
    *_of_unit(),
)
sets = Table("sets", METADATA, *_named(), _text("note"))
set_lenses = Table(
    "set_lenses",
    METADATA,
    _to("set_id", "sets", is_key=True),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _to("lens_id", "lenses"),
    UniqueConstraint("set_id", "lens_id"),
    Index(None, "lens_id"),
)
people = Table("people", METADATA, *_named())
settings = Table(
    "settings", METADATA, Column("key", Text, primary_key=True), Column("value", JsonText, nullable=False)
)
preps = Table(
    "preps",
    METADATA,
    _id(),
    _text("title"),
    _text("title_key"),
    _time("started_at"),
    _text("started_by"),
    _text("state"),
    _time("closed_at", is_needed=False),
    _text("closed_by"),
    _number("temperature_c"),
    _text("note"),
    _to("set_id", "sets", is_needed=False),
    _number("tolerance_um"),
    _count("revision"),
    _count("reading_count"),
    CheckConstraint("state IN ('open', 'done', 'signed')", name="state"),
    Index(None, "started_at", "id", "title_key"),  # with the title, so that searching reads nothing else
    Index(None, "state", "started_at", "id"),
    Index(None, "set_id"),
)
prep_bodies = Table(
    "prep_bodies",
    METADATA,
    _to("prep_id", "preps", is_key=True),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _to("body_id", "bodies"),
    UniqueConstraint("prep_id", "body_id"),
    Index(None, "body_id", "prep_id"),
)
prep_lenses = Table(
    "prep_lenses",
    METADATA,
    _to("prep_id", "preps", is_key=True),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _to("lens_id", "lenses"),
    UniqueConstraint("prep_id", "lens_id"),
    Index(None, "lens_id", "prep_id"),
)
setups = Table(
    "setups",
    METADATA,
    _id(),
    _to("prep_id", "preps"),
    _to("body_id", "bodies"),
    _text("name"),
    _number("distance_mm", is_needed=True),
    _text("distance_text"),
    _text("chart"),
    _text("taped_by"),
    _time("taped_at"),
    Index(None, "prep_id"),
)
readings = Table(
    "readings",
    METADATA,
    _id(),
    _to("prep_id", "preps"),
    _count("seq"),
    _to("setup_id", "setups"),
    _to("body_id", "bodies"),
    _to("lens_id", "lenses"),
    _count("body_epoch"),
    _count("lens_epoch"),
    _number("focal_mm", is_needed=True),
    _number("fnumber", is_needed=True),
    _text("axis"),
    _number("reading_mm", is_needed=True),
    _text("reading_text"),
    _text("operator"),
    _text("stop"),
    _text("at_text"),
    _text("note"),
    _time("taken_at"),
    *_withdrawal(),
    UniqueConstraint("prep_id", "seq"),
)
gauges = Table(
    "gauges",
    METADATA,
    _id(),
    _to("prep_id", "preps", is_needed=False),
    *_unit(),
    _count("epoch"),
    _number("value_um", is_needed=True),
    _number("sd_um", is_needed=True),
    _text("instrument"),
    _text("note"),
    _text("taken_by"),
    _time("taken_at"),
    *_withdrawal(),
    Index(None, "prep_id"),
    Index(None, "body_id"),
    Index(None, "lens_id"),
)
sweeps = Table(
    "sweeps",
    METADATA,
    _id(),
    _to("prep_id", "preps"),
    _to("setup_id", "setups", is_needed=False),
    _to("body_id", "bodies"),
    _to("lens_id", "lenses"),
    _count("body_epoch"),
    _count("lens_epoch"),
    Column("result", JsonText, nullable=False),
    _number("landing_um"),
    _number("sd_um"),
    _text("frames_place"),
    _text("taken_by"),
    _time("taken_at"),
    *_withdrawal(),
    Index(None, "prep_id"),
)
verdicts = Table(
    "verdicts",
    METADATA,
    _id(),
    _to("prep_id", "preps"),
    _count("revision"),
    _time("given_at"),
    _text("program_version"),
    Column("document", PackedJson, nullable=False),
    _text("headline"),
    Index(None, "prep_id", "revision", "given_at"),
)
unit_lines = Table(
    "unit_lines",
    METADATA,
    _id(),
    _to("prep_id", "preps"),
    *_unit(),
    _count("epoch"),
    _time("given_at"),
    _number("error_um"),
    _number("sd_um"),
    _number("low_um"),
    _number("high_um"),
    _number("p_out"),
    _text("verdict"),
    Index(None, "prep_id"),
    Index(None, "body_id", "given_at"),
    Index(None, "lens_id", "given_at"),
)
adjustments = Table(
    "adjustments",
    METADATA,
    _id(),
    _to("prep_id", "preps", is_needed=False),
    *_unit(),
    _count("epoch_before"),
    _count("epoch_after"),
    _text("action"),
    _number("amount_um"),
    _number("amount_sd_um"),
    _number("turns"),
    _text("note"),
    _text("made_by"),
    _time("made_at"),
    Column("steps", JsonList, nullable=False),
    Index(None, "prep_id"),
    Index(None, "body_id", "made_at"),
    Index(None, "lens_id", "made_at"),
)
sign_offs = Table(
    "sign_offs",
    METADATA,
    _id(),
    _to("prep_id", "preps"),
    _count("revision"),
    _text("signed_by"),
    _time("signed_at"),
    _text("digest"),
    Column("exceptions", JsonList, nullable=False),
    Column("signed_json", PackedText),
    Index(None, "prep_id"),
)
memories = Table(
    "memories",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    _time("at"),
    _to("prep_id", "preps"),
    _text("cause"),
    Column("document", PackedJson, nullable=False),
)
journal = Table(
    "journal",
    METADATA,
    Column("seq", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=False),
    _time("at"),
    _text("who"),
    _text("what"),
    Column("prep_id", Text),
    Column("unit_id", Text),
    Column("detail", JsonText, nullable=False),
    Index(None, "prep_id", "seq"),
    Index(None, "unit_id", "seq"),
)

ORDER = (
    bodies,
    lenses,
    sets,
    set_lenses,
    people,
    settings,
    preps,
    prep_bodies,
    prep_lenses,
    setups,
    readings,
    gauges,
    sweeps,
    verdicts,
    unit_lines,
    adjustments,
    sign_offs,
    memories,
    journal,
)
"""All tables, each after those it points to."""
