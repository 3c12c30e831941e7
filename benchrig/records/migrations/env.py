"""Run by Alembic: applies the revisions on the connection that `benchrig.records.schema.migrate` hands over."""

from __future__ import annotations

from alembic import context

from benchrig.records.tables import metadata


def run() -> None:
    """Apply the revisions inside the transaction that is open."""
    context.configure(
        connection=context.config.attributes["connection"], target_metadata=metadata, render_as_batch=True
    )
    with context.begin_transaction():
        context.run_migrations()


# Only Alembic gives the context a config: importing this file to look at it does nothing.
if hasattr(context, "config"):
    run()
