"""What was signed is kept with its signature, which cannot be changed any more."""

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade
from shimwise.record.migrations.triggers import refuse

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the tables. Signatures given before keep none: what they were given over is the prep itself."""
    op.add_column("sign_offs", sa.Column("signed_json", sa.LargeBinary(), nullable=True))
    refuse("sign_offs", "UPDATE", "sign_offs: update is refused; what is signed stays")
