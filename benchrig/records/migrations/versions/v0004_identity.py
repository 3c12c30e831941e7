"""Which store this is and the highest numbers given out; indexes over the runs that are looked for among many.

Written out in full, not taken from the metadata, which moves on while a released revision never changes.
"""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table with its row, taken from the runs, checks and calibrations that are there."""
    op.create_table(
        "identity",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("store", sa.Text(), nullable=False),
        sa.Column("made", sa.Text(), nullable=False),
        sa.Column("run", sa.Integer(), nullable=False),
        sa.Column("check", sa.Integer(), nullable=False),
        sa.Column("calibration", sa.Integer(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_identity_one_row")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_identity")),
        sqlite_strict=True,
    )
    op.execute(
        sa.text(
            'INSERT INTO identity (id, store, made, run, "check", calibration, digest) VALUES (1, :store, :made, '
            "coalesce((SELECT max(id) FROM runs), 0), coalesce((SELECT max(id) FROM checks), 0), "
            "coalesce((SELECT max(id) FROM calibrations), 0), "
            "coalesce((SELECT start_digest FROM runs ORDER BY id DESC LIMIT 1), ''))"
        ).bindparams(store=uuid.uuid4().hex, made=datetime.now(UTC).isoformat())
    )
    op.create_index(op.f("ix_runs_running"), "runs", ["id"], sqlite_where=sa.text("ending = 'running'"))
    op.create_index(
        op.f("ix_runs_check_valve"),
        "runs",
        ["tag", "model", "simulated"],
        sqlite_where=sa.text("reason = 'check-valve'"),
    )


def downgrade() -> None:
    """Take the table and the indexes away."""
    op.drop_index(op.f("ix_runs_check_valve"), "runs")
    op.drop_index(op.f("ix_runs_running"), "runs")
    op.drop_table("identity")
