"""What the house remembers of its units between preps, kept whole after each signature and move."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; a house that signed before begins to remember with its next signature."""
    op.create_table(
        "memories",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("prep_id", sa.Text(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["prep_id"], ["preps.id"], name=op.f("fk_memories_prep_id")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_memories")),
    )
