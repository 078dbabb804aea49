"""What Alembic runs: upgrades on the connection, and within the transaction, that it is given."""

from alembic import context

from shimwise.record.tables.schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    transactional_ddl=True,
)
context.run_migrations()
