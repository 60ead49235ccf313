"""Run migrations inside the transaction that `abx.store.migrate` has opened."""

from __future__ import annotations

from alembic import context

from abx.store.tables import metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=metadata,
    transactional_ddl=True,
    # The caller owns the transaction, so that tables and bookkeeping commit together.
    transaction_per_migration=False,
)
context.run_migrations()
