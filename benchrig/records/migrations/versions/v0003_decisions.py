"""What a person decided about a part after its run. Append-only by triggers on SQLite.

Written out in full, not taken from the metadata, which moves on while a released revision never changes.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table and forbid changes in it."""
    op.create_table(
        "decisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("disposition", sa.Text(), nullable=False),
        sa.Column("because", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decisions")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_decisions_run_id_runs")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_decisions_run_id"), "decisions", ["run_id"])
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE TRIGGER decisions_no_update BEFORE UPDATE ON decisions "
            "BEGIN SELECT RAISE(ABORT, 'decisions are never changed'); END"
        )
        op.execute(
            "CREATE TRIGGER decisions_no_delete BEFORE DELETE ON decisions "
            "BEGIN SELECT RAISE(ABORT, 'decisions are never taken away'); END"
        )


def downgrade() -> None:
    """Take the table away, and what is in it."""
    op.drop_table("decisions")
