"""The state of a unit in the latest verdict about it, beside its line."""

import json
import zlib

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_JUDGED = sa.text(
    "SELECT line.id, line.prep_id, line.body_id, body.name AS body_name, lens.name AS lens_name "
    "FROM unit_lines AS line LEFT JOIN bodies AS body ON body.id = line.body_id "
    "LEFT JOIN lenses AS lens ON lens.id = line.lens_id ORDER BY line.prep_id"
)
_DOCUMENT = sa.text(
    "SELECT document FROM verdicts WHERE prep_id = :prep_id ORDER BY revision DESC, given_at DESC LIMIT 1"
)
_KEEP = sa.text("UPDATE unit_lines SET state = :state WHERE id = :id")


def upgrade() -> None:
    """Add the column, and fill it from the latest document of each prep where that has states."""
    op.add_column("unit_lines", sa.Column("state", sa.Text(), nullable=True))
    connection = op.get_bind()
    prep_id, document = "", dict[str, list[dict[str, str]]]()
    for line in connection.execute(_JUDGED).all():
        if line.prep_id != prep_id:
            prep_id = line.prep_id
            kept = connection.execute(_DOCUMENT, {"prep_id": prep_id}).scalar_one_or_none()
            document = json.loads(zlib.decompress(kept)) if kept else {}
        units, name = ("bodies", line.body_name) if line.body_id else ("lenses", line.lens_name)
        state = next((unit.get("state") for unit in document.get(units, ()) if unit["name"] == name), None)
        if state:
            connection.execute(_KEEP, {"state": state, "id": line.id})
