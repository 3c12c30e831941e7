"""Run by Alembic: applies the revisions on the connection that `benchrig.records.schema.migrate` hands over."""

from __future__ import annotations

from alembic import context

from benchrig.records.tables import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
