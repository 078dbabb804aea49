"""Names are compared with one kind of dash: A–07 and A-07 are one body."""

import unicodedata

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

TABLES = dict.fromkeys(("bodies", "lenses", "sets", "people"), ("name", "name_key"))
TABLES |= {"preps": ("title", "title_key")}
DASHES = dict.fromkeys((*range(0x2010, 0x2016), 0x2043, 0x2212, 0xFE58), "-") | {0xAD: None}


def upgrade() -> None:
    """Compute the keys anew; of two that are one now the later keeps its own, since each unit stays."""
    connection = op.get_bind()
    for name, (column, key) in TABLES.items():
        table = sa.table(name, sa.column("id"), sa.column(column), sa.column(key))
        rows = connection.execute(sa.select(table).order_by(table.c.id)).all()
        taken = {row[2] for row in rows}
        for row_id, text, before in rows:
            after = _key(text)
            if after != before and (name == "preps" or after not in taken):
                taken.add(after)
                connection.execute(sa.update(table).where(table.c.id == row_id).values({key: after}))


def _key(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).translate(DASHES).casefold().split())
