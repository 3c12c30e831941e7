"""Chains say from which store they come: a store on a server has those of many, with other numbers than they had there.

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
    """Add the column, empty for what this store wrote itself, and the table of numbers, which only ever grows."""
    op.add_column("chains", sa.Column("origin", sa.Text(), nullable=False, server_default=""))
    op.create_table(
        "delivered",
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Integer(), nullable=False),
        sa.Column("here", sa.Integer(), nullable=False),
        sa.Column("rows", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("chain", "kind", "subject", name=op.f("pk_delivered")),
        sa.ForeignKeyConstraint(["chain"], ["chains.id"], name=op.f("fk_delivered_chain_chains")),
        sa.UniqueConstraint("kind", "here", name=op.f("uq_delivered_kind_here")),
        sqlite_strict=True,
    )
    for what, how in (("update", "changed"), ("delete", "taken away")):
        op.execute(
            f"CREATE TRIGGER delivered_no_{what} BEFORE {what.upper()} ON delivered "
            f"BEGIN SELECT RAISE(ABORT, 'delivered are never {how}'); END"
        )


def downgrade() -> None:
    """Take both away."""
    op.drop_table("delivered")
    op.drop_column("chains", "origin")
