"""Bench checks, calibrations, withdrawals, and which run rested on which. Append-only by triggers on SQLite.

Written out in full, not taken from the metadata, which moves on while a released revision never changes.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TABLES = ("checks", "calibrations", "withdrawals", "rests_on")


def upgrade() -> None:
    """Create the four tables and forbid changes in them."""
    op.create_table(
        "checks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("simulated", sa.Integer(), nullable=False),
        sa.Column("seed", sa.Integer()),
        sa.Column("started_at", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("passed", sa.Integer(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checks")),
        sa.CheckConstraint("passed IN (0, 1)", name=op.f("ck_checks_passed")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_checks_bench"), "checks", ["bench"])
    op.create_table(
        "calibrations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("simulated", sa.Integer(), nullable=False),
        sa.Column("seed", sa.Integer()),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("until_at", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_calibrations_bench"), "calibrations", ["bench"])
    op.create_table(
        "withdrawals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_withdrawals")),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibrations.id"], name=op.f("fk_withdrawals_calibration_id_calibrations")
        ),
        sa.UniqueConstraint("calibration_id", name=op.f("uq_withdrawals_calibration_id")),
        sqlite_strict=True,
    )
    op.create_table(
        "rests_on",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("check_id", sa.Integer()),
        sa.Column("calibration_id", sa.Integer()),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rests_on")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_rests_on_run_id_runs")),
        sa.ForeignKeyConstraint(["check_id"], ["checks.id"], name=op.f("fk_rests_on_check_id_checks")),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibrations.id"], name=op.f("fk_rests_on_calibration_id_calibrations")
        ),
        sa.CheckConstraint("(check_id IS NULL) <> (calibration_id IS NULL)", name=op.f("ck_rests_on_one_of_both")),
        sqlite_strict=True,
    )
    for column in ("run_id", "check_id", "calibration_id"):
        op.create_index(op.f(f"ix_rests_on_{column}"), "rests_on", [column])
    if op.get_bind().dialect.name == "sqlite":
        for table in TABLES:
            op.execute(
                f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END"
            )
            op.execute(
                f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} are never taken away'); END"
            )


def downgrade() -> None:
    """Take the tables away, and what is in them."""
    for table in reversed(TABLES):
        op.drop_table(table)
