"""Run the migrations on the connection that the caller holds the lock with."""

from alembic import context

from ingest.schema import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
