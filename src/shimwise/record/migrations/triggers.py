"""Triggers by which the database itself refuses to change or delete what is kept; part of the versions."""

from alembic import op


def refuse(table: str, action: str, reason: str) -> None:
    """Refuse ``UPDATE`` or ``DELETE`` of a table's rows."""
    name = f"no_{action.lower()}_{table}"
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            f"CREATE TRIGGER {name} BEFORE {action} ON {table} BEGIN SELECT RAISE(ABORT, '{reason}'); END"
        )
        return
    op.execute(
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"RAISE EXCEPTION '{reason}' USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )
    op.execute(f"CREATE TRIGGER {name} BEFORE {action} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()")
