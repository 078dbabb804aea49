"""The house's seal under a signature."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the table. Earlier signatures get no seal: forged ones could not be distinguished later."""
    op.add_column("sign_offs", sa.Column("seal", sa.Text(), nullable=True))
