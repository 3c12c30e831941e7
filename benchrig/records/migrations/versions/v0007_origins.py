"""Chains say from which store they come, or by which key they are told apart: a store on a server has those of many.

Written out in full, not taken from the metadata, which moves on while a released revision never changes.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; what is there was written by this store itself."""
    op.add_column("chains", sa.Column("origin", sa.Text(), nullable=False, server_default=""))


def downgrade() -> None:
    """Take it away."""
    op.drop_column("chains", "origin")
