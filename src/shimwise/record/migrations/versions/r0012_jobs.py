"""Work beside the pages is kept in the record, so that any server of it does it, and none is forgotten."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; what is behind is found by the first server that starts."""
    op.create_table(
        "jobs",
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("id", "kind", "state", "title", "server")),
        sa.Column("prep_id", sa.Text(), nullable=True),
        sa.Column("task", sa.Text(), nullable=True),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("asked", "tries", "lease")),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        *(
            sa.Column(name, sa.DateTime(timezone=True), nullable=True)
            for name in ("taken_at", "lease_until", "ended_at")
        ),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("progress", "problem", "problem_code")),
        sa.CheckConstraint("kind IN ('verdict', 'learn', 'sweep')", name=op.f("ck_jobs_kind")),
        sa.CheckConstraint(
            "state IN ('waiting', 'working', 'done', 'failed', 'cancelled')", name=op.f("ck_jobs_state")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    op.create_index(op.f("ix_jobs_state_kind_made_at"), "jobs", ["state", "kind", "made_at"])
    op.create_index(op.f("ix_jobs_prep_id"), "jobs", ["prep_id"])
