"""What this machine and its home both had when they were last one: a mark of each unit, set and prep."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; a record that never was away has no marks."""
    op.create_table(
        "sync_marks",
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("id", "kind", "digest")),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in ("seq", "home_seq")),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sync_marks")),
    )
