"""How an older store becomes a newer one: Alembic revisions in ``versions``, never changed once released."""
