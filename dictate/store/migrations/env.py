"""How a migration runs: on the connection, and inside the transaction, that the store hands over."""

from __future__ import annotations

from alembic import context

from dictate.store.schema import VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
