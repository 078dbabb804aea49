"""The first tables; what may be withdrawn cannot be deleted, and the journal cannot be changed."""

from typing import Any

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade
from shimwise.record.migrations.triggers import refuse

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

NEVER_DELETED = ("preps", "setups", "readings", "gauges", "sweeps", "verdicts", "adjustments", "sign_offs")

TEXT, COUNT, NUMBER, FLAG = sa.Text(), sa.Integer(), sa.Float(precision=53), sa.Boolean()
TIME, BINARY = sa.DateTime(timezone=True), sa.LargeBinary()
JOURNAL_SEQ = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TARGETS = {
    "body_id": "bodies",
    "lens_id": "lenses",
    "prep_id": "preps",
    "set_id": "sets",
    "setup_id": "setups",
}
STATE = ("state", "state IN ('open', 'done', 'signed')")
ONE_UNIT = ("one_unit", "(body_id IS NULL) <> (lens_id IS NULL)")
WITHDRAWN = ("withdrawn_with_reason", "(withdrawn_at IS NULL) = (withdrawn_reason = '')")


def upgrade() -> None:
    """Make the tables."""
    _make_tables()
    for table in (*NEVER_DELETED, "journal"):
        refuse(table, "DELETE", f"{table}: delete is refused; nothing is lost here")
    refuse("journal", "UPDATE", "journal: update is refused; nothing is lost here")


def _columns(
    kind: sa.types.TypeEngine[Any], *names: str, is_nullable: bool = False
) -> list["sa.Column[Any]"]:
    return [sa.Column(name, kind, nullable=is_nullable) for name in names]


def _place() -> "sa.Column[int]":
    return sa.Column("place", sa.Integer(), autoincrement=False, nullable=False)


def _table(
    name: str,
    *columns: "sa.Column[Any]",
    checks: tuple[tuple[str, str], ...] = (),
    key: tuple[str, ...] = ("id",),
    unique: tuple[str, ...] = (),
    indexes: tuple[tuple[str, ...], ...] = (),
) -> None:
    """Make a table with its constraints and indexes; a column of ``TARGETS`` points to that table."""
    op.create_table(
        name,
        *columns,
        *(sa.CheckConstraint(text, name=op.f(f"ck_{name}_{word}")) for word, text in checks),
        *(
            sa.ForeignKeyConstraint([column], [f"{TARGETS[column]}.id"], name=op.f(f"fk_{name}_{column}"))
            for column in sorted(one.name for one in columns if one.name in TARGETS and name != "journal")
        ),
        sa.PrimaryKeyConstraint(*key, name=op.f(f"pk_{name}")),
        *([sa.UniqueConstraint(*unique, name=op.f(f"uq_{name}_{'_'.join(unique)}"))] if unique else ()),
    )
    for index in indexes:
        op.create_index(op.f(f"ix_{name}_{'_'.join(index)}"), name, list(index), unique=False)


def _make_tables() -> None:
    _table(
        "bodies",
        *_columns(TEXT, "id", "name", "name_key", "serial", "mount"),
        *_columns(NUMBER, "pixel_pitch_um", "circle_of_confusion_um", "tolerance_um", is_nullable=True),
        *_columns(TEXT, "mechanism", is_nullable=True),
        *_columns(NUMBER, "history_mean_um", "history_sd_um", is_nullable=True),
        *_columns(COUNT, "epoch"),
        *_columns(TEXT, "note"),
        *_columns(FLAG, "is_retired"),
        unique=("name_key",),
    )
    _table(
        "journal",
        sa.Column("seq", JOURNAL_SEQ, autoincrement=False, nullable=False),
        *_columns(TIME, "at"),
        *_columns(TEXT, "who", "what"),
        *_columns(TEXT, "prep_id", "unit_id", is_nullable=True),
        *_columns(TEXT, "detail"),
        key=("seq",),
        indexes=(
            ("prep_id", "seq"),
            ("unit_id", "seq"),
        ),
    )
    _table(
        "lenses",
        *_columns(TEXT, "id", "name", "name_key", "serial", "mount", "focal_lengths_mm"),
        *_columns(NUMBER, "fnumber", "separation_mm", is_nullable=True),
        *_columns(TEXT, "focus_design"),
        *_columns(NUMBER, "squeeze"),
        *_columns(TEXT, "by_distance"),
        *_columns(NUMBER, "near_mm", is_nullable=True),
        *_columns(TEXT, "scale_unit"),
        *_columns(NUMBER, "history_mean_um", "history_sd_um", is_nullable=True),
        *_columns(COUNT, "epoch"),
        *_columns(TEXT, "note"),
        *_columns(FLAG, "is_retired"),
        unique=("name_key",),
    )
    _table(
        "people",
        *_columns(TEXT, "id", "name", "name_key"),
        unique=("name_key",),
    )
    _table(
        "sets",
        *_columns(TEXT, "id", "name", "name_key", "note"),
        unique=("name_key",),
    )
    _table(
        "settings",
        *_columns(TEXT, "key", "value"),
        key=("key",),
    )
    _table(
        "preps",
        *_columns(TEXT, "id", "title", "title_key"),
        *_columns(TIME, "started_at"),
        *_columns(TEXT, "started_by", "state"),
        *_columns(TIME, "closed_at", is_nullable=True),
        *_columns(TEXT, "closed_by"),
        *_columns(NUMBER, "temperature_c", is_nullable=True),
        *_columns(TEXT, "note"),
        *_columns(TEXT, "set_id", is_nullable=True),
        *_columns(NUMBER, "tolerance_um", is_nullable=True),
        *_columns(COUNT, "revision", "reading_count"),
        checks=(STATE,),
        indexes=(
            ("set_id",),
            ("started_at", "id", "title_key"),
            ("state", "started_at", "id"),
        ),
    )
    _table(
        "set_lenses",
        *_columns(TEXT, "set_id"),
        _place(),
        *_columns(TEXT, "lens_id"),
        key=("set_id", "place"),
        unique=("set_id", "lens_id"),
        indexes=(("lens_id",),),
    )
    _table(
        "adjustments",
        *_columns(TEXT, "id"),
        *_columns(TEXT, "prep_id", "body_id", "lens_id", is_nullable=True),
        *_columns(COUNT, "epoch_before", "epoch_after"),
        *_columns(TEXT, "action"),
        *_columns(NUMBER, "amount_um", "amount_sd_um", "turns", is_nullable=True),
        *_columns(TEXT, "note", "made_by"),
        *_columns(TIME, "made_at"),
        *_columns(TEXT, "steps"),
        checks=(ONE_UNIT,),
        indexes=(
            ("body_id", "made_at"),
            ("lens_id", "made_at"),
            ("prep_id",),
        ),
    )
    _table(
        "gauges",
        *_columns(TEXT, "id"),
        *_columns(TEXT, "prep_id", "body_id", "lens_id", is_nullable=True),
        *_columns(COUNT, "epoch"),
        *_columns(NUMBER, "value_um", "sd_um"),
        *_columns(TEXT, "instrument", "note", "taken_by"),
        *_columns(TIME, "taken_at"),
        *_columns(TIME, "withdrawn_at", is_nullable=True),
        *_columns(TEXT, "withdrawn_by", "withdrawn_reason"),
        checks=(
            WITHDRAWN,
            ONE_UNIT,
        ),
        indexes=(
            ("body_id",),
            ("lens_id",),
            ("prep_id",),
        ),
    )
    _table(
        "prep_bodies",
        *_columns(TEXT, "prep_id"),
        _place(),
        *_columns(TEXT, "body_id"),
        key=("prep_id", "place"),
        unique=("prep_id", "body_id"),
        indexes=(("body_id", "prep_id"),),
    )
    _table(
        "prep_lenses",
        *_columns(TEXT, "prep_id"),
        _place(),
        *_columns(TEXT, "lens_id"),
        key=("prep_id", "place"),
        unique=("prep_id", "lens_id"),
        indexes=(("lens_id", "prep_id"),),
    )
    _table(
        "setups",
        *_columns(TEXT, "id", "prep_id", "body_id", "name"),
        *_columns(NUMBER, "distance_mm"),
        *_columns(TEXT, "distance_text", "chart", "taped_by"),
        *_columns(TIME, "taped_at"),
        indexes=(("prep_id",),),
    )
    _table(
        "sign_offs",
        *_columns(TEXT, "id", "prep_id"),
        *_columns(COUNT, "revision"),
        *_columns(TEXT, "signed_by"),
        *_columns(TIME, "signed_at"),
        *_columns(TEXT, "digest", "exceptions"),
        indexes=(("prep_id",),),
    )
    _table(
        "unit_lines",
        *_columns(TEXT, "id", "prep_id"),
        *_columns(TEXT, "body_id", "lens_id", is_nullable=True),
        *_columns(COUNT, "epoch"),
        *_columns(TIME, "given_at"),
        *_columns(NUMBER, "error_um", "sd_um", "low_um", "high_um", "p_out", is_nullable=True),
        *_columns(TEXT, "verdict"),
        checks=(ONE_UNIT,),
        indexes=(
            ("body_id", "given_at"),
            ("lens_id", "given_at"),
            ("prep_id",),
        ),
    )
    _table(
        "verdicts",
        *_columns(TEXT, "id", "prep_id"),
        *_columns(COUNT, "revision"),
        *_columns(TIME, "given_at"),
        *_columns(TEXT, "program_version"),
        *_columns(BINARY, "document"),
        *_columns(TEXT, "headline"),
        indexes=(("prep_id", "revision", "given_at"),),
    )
    _table(
        "readings",
        *_columns(TEXT, "id", "prep_id"),
        *_columns(COUNT, "seq"),
        *_columns(TEXT, "setup_id", "body_id", "lens_id"),
        *_columns(COUNT, "body_epoch", "lens_epoch"),
        *_columns(NUMBER, "focal_mm", "fnumber"),
        *_columns(TEXT, "axis"),
        *_columns(NUMBER, "reading_mm"),
        *_columns(TEXT, "reading_text", "operator", "stop", "at_text", "note"),
        *_columns(TIME, "taken_at"),
        *_columns(TIME, "withdrawn_at", is_nullable=True),
        *_columns(TEXT, "withdrawn_by", "withdrawn_reason"),
        checks=(WITHDRAWN,),
        unique=("prep_id", "seq"),
    )
    _table(
        "sweeps",
        *_columns(TEXT, "id", "prep_id"),
        *_columns(TEXT, "setup_id", is_nullable=True),
        *_columns(TEXT, "body_id", "lens_id"),
        *_columns(COUNT, "body_epoch", "lens_epoch"),
        *_columns(TEXT, "result"),
        *_columns(NUMBER, "landing_um", "sd_um", is_nullable=True),
        *_columns(TEXT, "frames_place", "taken_by"),
        *_columns(TIME, "taken_at"),
        *_columns(TIME, "withdrawn_at", is_nullable=True),
        *_columns(TEXT, "withdrawn_by", "withdrawn_reason"),
        checks=(WITHDRAWN,),
        indexes=(("prep_id",),),
    )
