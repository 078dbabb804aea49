"""What was signed stands with its signature, which cannot be changed any more."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

REASON = "sign_offs: update is refused; what is signed stays"


def upgrade() -> None:
    """Change the tables. Signatures given before keep none: what they were given over is the prep itself."""
    op.add_column("sign_offs", sa.Column("signed_json", sa.LargeBinary(), nullable=True))
    _refuse_updates()


def _refuse_updates() -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE TRIGGER no_update_sign_offs BEFORE UPDATE ON sign_offs "
            f"BEGIN SELECT RAISE(ABORT, '{REASON}'); END"
        )
        return
    op.execute(
        "CREATE FUNCTION no_update_sign_offs() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"RAISE EXCEPTION '{REASON}' USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )
    op.execute(
        "CREATE TRIGGER no_update_sign_offs BEFORE UPDATE ON sign_offs "
        "FOR EACH ROW EXECUTE FUNCTION no_update_sign_offs()"
    )
