"""${message}."""

from alembic import op
import sqlalchemy as sa
from shimwise.record.migrations.no_way_back import downgrade as downgrade
${imports if imports else ""}

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the tables."""
    ${upgrades if upgrades else "pass"}
