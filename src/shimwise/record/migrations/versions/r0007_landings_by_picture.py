"""Landings by picture: a reading may have its landing from the picture, with the ring on the taped mark."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the table. What was kept before was read by eye, and stays as it was signed."""
    op.add_column("readings", sa.Column("landing_um", sa.Float(precision=53), nullable=True))
    op.add_column("readings", sa.Column("landing_sd_um", sa.Float(precision=53), nullable=True))
    op.add_column("readings", sa.Column("setting", sa.Text(), nullable=True))
