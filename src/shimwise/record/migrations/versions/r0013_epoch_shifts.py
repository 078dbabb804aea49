"""Epochs of a signed prep, where an adjustment made elsewhere before it came to be known after it."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; preps that were signed where they were read have none."""
    op.add_column("preps", sa.Column("epoch_shifts", sa.Text(), nullable=True))
