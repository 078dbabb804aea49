"""The first tables; what may be withdrawn cannot be deleted, and the journal cannot be changed."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

NEVER_DELETED = ("preps", "setups", "readings", "gauges", "sweeps", "verdicts", "adjustments", "sign_offs")


def upgrade() -> None:
    """Make the tables."""
    _make_tables()
    for table in (*NEVER_DELETED, "journal"):
        _refuse(table, "DELETE")
    _refuse("journal", "UPDATE")


def _refuse(table: str, action: str) -> None:
    name, reason = (
        f"no_{action.lower()}_{table}",
        f"{table}: {action.lower()} is refused; nothing is lost here",
    )
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            f"CREATE TRIGGER {name} BEFORE {action} ON {table} BEGIN SELECT RAISE(ABORT, '{reason}'); END"
        )
        return
    op.execute(
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"RAISE EXCEPTION '{reason}' USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )
    op.execute(f"CREATE TRIGGER {name} BEFORE {action} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()")


def _make_tables() -> None:
    op.create_table(
        "bodies",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("mount", sa.Text(), nullable=False),
        sa.Column("pixel_pitch_um", sa.Float(precision=53), nullable=True),
        sa.Column("circle_of_confusion_um", sa.Float(precision=53), nullable=True),
        sa.Column("tolerance_um", sa.Float(precision=53), nullable=True),
        sa.Column("mechanism", sa.Text(), nullable=True),
        sa.Column("history_mean_um", sa.Float(precision=53), nullable=True),
        sa.Column("history_sd_um", sa.Float(precision=53), nullable=True),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("is_retired", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bodies")),
        sa.UniqueConstraint("name_key", name=op.f("uq_bodies_name_key")),
    )
    op.create_table(
        "journal",
        sa.Column(
            "seq", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=False, nullable=False
        ),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=True),
        sa.Column("unit_id", sa.Text(), nullable=True),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_journal")),
    )
    op.create_index(op.f("ix_journal_prep_id_seq"), "journal", ["prep_id", "seq"], unique=False)
    op.create_index(op.f("ix_journal_unit_id_seq"), "journal", ["unit_id", "seq"], unique=False)
    op.create_table(
        "lenses",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("mount", sa.Text(), nullable=False),
        sa.Column("focal_lengths_mm", sa.Text(), nullable=False),
        sa.Column("fnumber", sa.Float(precision=53), nullable=True),
        sa.Column("separation_mm", sa.Float(precision=53), nullable=True),
        sa.Column("focus_design", sa.Text(), nullable=False),
        sa.Column("squeeze", sa.Float(precision=53), nullable=False),
        sa.Column("by_distance", sa.Text(), nullable=False),
        sa.Column("near_mm", sa.Float(precision=53), nullable=True),
        sa.Column("scale_unit", sa.Text(), nullable=False),
        sa.Column("history_mean_um", sa.Float(precision=53), nullable=True),
        sa.Column("history_sd_um", sa.Float(precision=53), nullable=True),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("is_retired", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lenses")),
        sa.UniqueConstraint("name_key", name=op.f("uq_lenses_name_key")),
    )
    op.create_table(
        "people",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("name_key", name=op.f("uq_people_name_key")),
    )
    op.create_table(
        "sets",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sets")),
        sa.UniqueConstraint("name_key", name=op.f("uq_sets_name_key")),
    )
    op.create_table(
        "settings",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_settings")),
    )
    op.create_table(
        "preps",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("title_key", sa.Text(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_by", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closed_by", sa.Text(), nullable=False),
        sa.Column("temperature_c", sa.Float(precision=53), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("set_id", sa.Text(), nullable=True),
        sa.Column("tolerance_um", sa.Float(precision=53), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("reading_count", sa.Integer(), nullable=False),
        sa.CheckConstraint("state IN ('open', 'done', 'signed')", name=op.f("ck_preps_state")),
        sa.ForeignKeyConstraint(["set_id"], ["sets.id"], name=op.f("fk_preps_set_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_preps")),
    )
    op.create_index(op.f("ix_preps_set_id"), "preps", ["set_id"], unique=False)
    op.create_index(
        op.f("ix_preps_started_at_id_title_key"), "preps", ["started_at", "id", "title_key"], unique=False
    )
    op.create_index(
        op.f("ix_preps_state_started_at_id"), "preps", ["state", "started_at", "id"], unique=False
    )
    op.create_table(
        "set_lenses",
        sa.Column("set_id", sa.Text(), nullable=False),
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lens_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["lens_id"], ["lenses.id"], name=op.f("fk_set_lenses_lens_id")),
        sa.ForeignKeyConstraint(["set_id"], ["sets.id"], name=op.f("fk_set_lenses_set_id")),
        sa.PrimaryKeyConstraint("set_id", "place", name=op.f("pk_set_lenses")),
        sa.UniqueConstraint("set_id", "lens_id", name=op.f("uq_set_lenses_set_id_lens_id")),
    )
    op.create_index(op.f("ix_set_lenses_lens_id"), "set_lenses", ["lens_id"], unique=False)
    op.create_table(
        "adjustments",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=True),
        sa.Column("body_id", sa.Text(), nullable=True),
        sa.Column("lens_id", sa.Text(), nullable=True),
        sa.Column("epoch_before", sa.Integer(), nullable=False),
        sa.Column("epoch_after", sa.Integer(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("amount_um", sa.Float(precision=53), nullable=True),
        sa.Column("amount_sd_um", sa.Float(precision=53), nullable=True),
        sa.Column("turns", sa.Float(precision=53), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("steps", sa.Text(), nullable=False),
        sa.CheckConstraint("(body_id IS NULL) <> (lens_id IS NULL)", name=op.f("ck_adjustments_one_unit")),
        sa.ForeignKeyConstraint(["body_id"], ["bodies.id"], name=op.f("fk_adjustments_body_id")),
        sa.ForeignKeyConstraint(["lens_id"], ["lenses.id"], name=op.f("fk_adjustments_lens_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_adjustments_prep_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_adjustments")),
    )
    op.create_index(
        op.f("ix_adjustments_body_id_made_at"), "adjustments", ["body_id", "made_at"], unique=False
    )
    op.create_index(
        op.f("ix_adjustments_lens_id_made_at"), "adjustments", ["lens_id", "made_at"], unique=False
    )
    op.create_index(op.f("ix_adjustments_prep_id"), "adjustments", ["prep_id"], unique=False)
    op.create_table(
        "gauges",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=True),
        sa.Column("body_id", sa.Text(), nullable=True),
        sa.Column("lens_id", sa.Text(), nullable=True),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("value_um", sa.Float(precision=53), nullable=False),
        sa.Column("sd_um", sa.Float(precision=53), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("taken_by", sa.Text(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.Text(), nullable=False),
        sa.Column("withdrawn_reason", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_reason = '')", name=op.f("ck_gauges_withdrawn_with_reason")
        ),
        sa.CheckConstraint("(body_id IS NULL) <> (lens_id IS NULL)", name=op.f("ck_gauges_one_unit")),
        sa.ForeignKeyConstraint(["body_id"], ["bodies.id"], name=op.f("fk_gauges_body_id")),
        sa.ForeignKeyConstraint(["lens_id"], ["lenses.id"], name=op.f("fk_gauges_lens_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_gauges_prep_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauges")),
    )
    op.create_index(op.f("ix_gauges_body_id"), "gauges", ["body_id"], unique=False)
    op.create_index(op.f("ix_gauges_lens_id"), "gauges", ["lens_id"], unique=False)
    op.create_index(op.f("ix_gauges_prep_id"), "gauges", ["prep_id"], unique=False)
    op.create_table(
        "prep_bodies",
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("body_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["body_id"], ["bodies.id"], name=op.f("fk_prep_bodies_body_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_prep_bodies_prep_id")),
        sa.PrimaryKeyConstraint("prep_id", "place", name=op.f("pk_prep_bodies")),
        sa.UniqueConstraint("prep_id", "body_id", name=op.f("uq_prep_bodies_prep_id_body_id")),
    )
    op.create_index(
        op.f("ix_prep_bodies_body_id_prep_id"), "prep_bodies", ["body_id", "prep_id"], unique=False
    )
    op.create_table(
        "prep_lenses",
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lens_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["lens_id"], ["lenses.id"], name=op.f("fk_prep_lenses_lens_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_prep_lenses_prep_id")),
        sa.PrimaryKeyConstraint("prep_id", "place", name=op.f("pk_prep_lenses")),
        sa.UniqueConstraint("prep_id", "lens_id", name=op.f("uq_prep_lenses_prep_id_lens_id")),
    )
    op.create_index(
        op.f("ix_prep_lenses_lens_id_prep_id"), "prep_lenses", ["lens_id", "prep_id"], unique=False
    )
    op.create_table(
        "setups",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("body_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("distance_mm", sa.Float(precision=53), nullable=False),
        sa.Column("distance_text", sa.Text(), nullable=False),
        sa.Column("chart", sa.Text(), nullable=False),
        sa.Column("taped_by", sa.Text(), nullable=False),
        sa.Column("taped_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["body_id"], ["bodies.id"], name=op.f("fk_setups_body_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_setups_prep_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_setups")),
    )
    op.create_index(op.f("ix_setups_prep_id"), "setups", ["prep_id"], unique=False)
    op.create_table(
        "sign_offs",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("signed_by", sa.Text(), nullable=False),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("exceptions", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_sign_offs_prep_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_offs")),
    )
    op.create_index(op.f("ix_sign_offs_prep_id"), "sign_offs", ["prep_id"], unique=False)
    op.create_table(
        "unit_lines",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("body_id", sa.Text(), nullable=True),
        sa.Column("lens_id", sa.Text(), nullable=True),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("given_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("error_um", sa.Float(precision=53), nullable=True),
        sa.Column("sd_um", sa.Float(precision=53), nullable=True),
        sa.Column("low_um", sa.Float(precision=53), nullable=True),
        sa.Column("high_um", sa.Float(precision=53), nullable=True),
        sa.Column("p_out", sa.Float(precision=53), nullable=True),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.CheckConstraint("(body_id IS NULL) <> (lens_id IS NULL)", name=op.f("ck_unit_lines_one_unit")),
        sa.ForeignKeyConstraint(["body_id"], ["bodies.id"], name=op.f("fk_unit_lines_body_id")),
        sa.ForeignKeyConstraint(["lens_id"], ["lenses.id"], name=op.f("fk_unit_lines_lens_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_unit_lines_prep_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_lines")),
    )
    op.create_index(
        op.f("ix_unit_lines_body_id_given_at"), "unit_lines", ["body_id", "given_at"], unique=False
    )
    op.create_index(
        op.f("ix_unit_lines_lens_id_given_at"), "unit_lines", ["lens_id", "given_at"], unique=False
    )
    op.create_index(op.f("ix_unit_lines_prep_id"), "unit_lines", ["prep_id"], unique=False)
    op.create_table(
        "verdicts",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("given_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("program_version", sa.Text(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("headline", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_verdicts_prep_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verdicts")),
    )
    op.create_index(
        op.f("ix_verdicts_prep_id_revision_given_at"),
        "verdicts",
        ["prep_id", "revision", "given_at"],
        unique=False,
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("setup_id", sa.Text(), nullable=False),
        sa.Column("body_id", sa.Text(), nullable=False),
        sa.Column("lens_id", sa.Text(), nullable=False),
        sa.Column("body_epoch", sa.Integer(), nullable=False),
        sa.Column("lens_epoch", sa.Integer(), nullable=False),
        sa.Column("focal_mm", sa.Float(precision=53), nullable=False),
        sa.Column("fnumber", sa.Float(precision=53), nullable=False),
        sa.Column("axis", sa.Text(), nullable=False),
        sa.Column("reading_mm", sa.Float(precision=53), nullable=False),
        sa.Column("reading_text", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("stop", sa.Text(), nullable=False),
        sa.Column("at_text", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.Text(), nullable=False),
        sa.Column("withdrawn_reason", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_reason = '')", name=op.f("ck_readings_withdrawn_with_reason")
        ),
        sa.ForeignKeyConstraint(["body_id"], ["bodies.id"], name=op.f("fk_readings_body_id")),
        sa.ForeignKeyConstraint(["lens_id"], ["lenses.id"], name=op.f("fk_readings_lens_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_readings_prep_id")),
        sa.ForeignKeyConstraint(["setup_id"], ["setups.id"], name=op.f("fk_readings_setup_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sa.UniqueConstraint("prep_id", "seq", name=op.f("uq_readings_prep_id_seq")),
    )
    op.create_table(
        "sweeps",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("setup_id", sa.Text(), nullable=True),
        sa.Column("body_id", sa.Text(), nullable=False),
        sa.Column("lens_id", sa.Text(), nullable=False),
        sa.Column("body_epoch", sa.Integer(), nullable=False),
        sa.Column("lens_epoch", sa.Integer(), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
        sa.Column("landing_um", sa.Float(precision=53), nullable=True),
        sa.Column("sd_um", sa.Float(precision=53), nullable=True),
        sa.Column("frames_place", sa.Text(), nullable=False),
        sa.Column("taken_by", sa.Text(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.Text(), nullable=False),
        sa.Column("withdrawn_reason", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_reason = '')", name=op.f("ck_sweeps_withdrawn_with_reason")
        ),
        sa.ForeignKeyConstraint(["body_id"], ["bodies.id"], name=op.f("fk_sweeps_body_id")),
        sa.ForeignKeyConstraint(["lens_id"], ["lenses.id"], name=op.f("fk_sweeps_lens_id")),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_sweeps_prep_id")),
        sa.ForeignKeyConstraint(["setup_id"], ["setups.id"], name=op.f("fk_sweeps_setup_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sweeps")),
    )
    op.create_index(op.f("ix_sweeps_prep_id"), "sweeps", ["prep_id"], unique=False)
