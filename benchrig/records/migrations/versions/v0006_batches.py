"""Runs name the batch that they were tested in.

Written out in full, not taken from the metadata, which moves on while a released revision never changes.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, and what finds a batch."""
    op.add_column("runs", sa.Column("batch", sa.Text(), nullable=False, server_default=""))
    op.create_index("ix_runs_batch", "runs", ["batch", "started_at"], sqlite_where=sa.text("batch != ''"))


def downgrade() -> None:
    """Take both away."""
    op.drop_index("ix_runs_batch", "runs")
    op.drop_column("runs", "batch")
