"""Run by Alembic: uses the connection, and the open transaction, that `annotate.logbook.migrating` hands over."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transaction_per_migration=False)
context.run_migrations()
