"""People with a role and a PIN, and the tokens of devices, programs and people who are signed in."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa
from alembic import op

from shimwise.record.migrations.no_way_back import downgrade as downgrade

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

OLD = ("house_devices", "house_devices_seen")
"""Settings that held the paired devices before."""
DEVICE, PROGRAM = timedelta(days=90), timedelta(days=365)
"""How long a token of each kind lasts: a device's from when it was paired, a program's from now."""


def upgrade() -> None:
    """Make the table, and take the devices that are paired over into it."""
    op.add_column("people", sa.Column("role", sa.Text(), nullable=True))
    op.add_column("people", sa.Column("pin_hash", sa.Text(), nullable=True))
    op.create_index(op.f("ix_people_role"), "people", ["role"])
    tokens = op.create_table(
        "tokens",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("how", sa.Text(), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("role", sa.Text(), nullable=True),
        sa.Column("person_id", sa.Text(), nullable=True),
        sa.Column("device_id", sa.Text(), nullable=True),
        sa.CheckConstraint("kind IN ('device', 'program', 'session')", name=op.f("ck_tokens_kind")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_tokens_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("digest", name=op.f("uq_tokens_digest")),
    )
    connection = op.get_bind()
    settings = sa.table("settings", sa.column("key", sa.Text()), sa.column("value", sa.Text()))
    kept = {
        row.key: json.loads(row.value)
        for row in connection.execute(sa.select(settings).where(settings.c.key.in_(OLD)))
    }
    seen = kept.get(OLD[1]) or {}
    rows = [
        _row(one, seen.get(one["id"]), is_bare=connection.dialect.name == "sqlite")
        for one in kept.get(OLD[0]) or ()
    ]
    if rows and tokens is not None:
        connection.execute(tokens.insert(), rows)
    connection.execute(settings.delete().where(settings.c.key.in_(OLD)))


def _row(device: dict[str, Any], seen_at: str | None, *, is_bare: bool) -> dict[str, Any]:
    def kept(at: datetime) -> datetime:
        return at.astimezone(UTC).replace(tzinfo=None) if is_bare else at.astimezone(UTC)

    paired_at = datetime.fromisoformat(device["paired_at"])
    is_program = device["how"] == "program"
    return {
        "id": device["id"],
        "kind": "program" if is_program else "device",
        "name": device["name"],
        "digest": device["digest"],
        "made_at": kept(paired_at),
        "expires_at": kept(datetime.now(UTC) + PROGRAM if is_program else paired_at + DEVICE),
        "how": device["how"],
        "seen_at": kept(datetime.fromisoformat(seen_at)) if seen_at else None,
    }
