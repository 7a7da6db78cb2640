"""Alembic's way in: it works on the connection that `digitise.store.migrate` hands over, in that transaction."""

from alembic import context

from digitise.store.schema import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
