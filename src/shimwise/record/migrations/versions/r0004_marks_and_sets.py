"""Marks of lenses, the temperature at a reading, and signatures of body and lenses together."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the tables. What was kept before has none of it: earlier signatures keep their digests."""
    op.add_column("lenses", sa.Column("marks_mm", sa.Text(), nullable=True))
    op.add_column("readings", sa.Column("temperature_c", sa.Float(precision=53), nullable=True))
    op.add_column("sign_offs", sa.Column("as_set", sa.Boolean(), nullable=True))
