"""Seals: a chain for each bench, and up to where nothing was sealed. Runs name their bench; more to find them by.

Written out in full, not taken from the metadata, which moves on while a released revision never changes.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

TABLES = ("chains", "seals", "sealed_since")
FOUND_BY = (["started_at"], ["verdict", "started_at"], ["cause", "started_at"], ["bench", "started_at"])


def upgrade() -> None:
    """Create the tables, forbid changes in them, and note what was there before."""
    op.create_table(
        "chains",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("simulated", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chains")),
        sa.UniqueConstraint("bench", "simulated", name=op.f("uq_chains_bench_simulated")),
        sa.CheckConstraint("simulated IN (0, 1)", name=op.f("ck_chains_simulated")),
        sqlite_strict=True,
    )
    op.create_table(
        "seals",
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("subject", sa.Integer(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("says", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("rows", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("signature", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("chain", "number", name=op.f("pk_seals")),
        sa.ForeignKeyConstraint(["chain"], ["chains.id"], name=op.f("fk_seals_chain_chains")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_seals_kind_subject"), "seals", ["kind", "subject"])
    op.create_table(
        "sealed_since",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run", sa.Integer(), nullable=False),
        sa.Column("check", sa.Integer(), nullable=False),
        sa.Column("calibration", sa.Integer(), nullable=False),
        sa.Column("withdrawal", sa.Integer(), nullable=False),
        sa.Column("decision", sa.Integer(), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_sealed_since_one_row")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sealed_since")),
        sqlite_strict=True,
    )
    highest = [
        f"coalesce((SELECT max(id) FROM {table}), 0)"
        for table in ("runs", "checks", "calibrations", "withdrawals", "decisions")
    ]
    op.execute(f"INSERT INTO sealed_since VALUES (1, {', '.join(highest)})")
    op.add_column("runs", sa.Column("bench", sa.Text(), nullable=False, server_default=""))
    sqlite = op.get_bind().dialect.name == "sqlite"
    if sqlite:
        op.execute(
            "UPDATE runs SET bench = coalesce(json_extract(bench_facts, '$.name'), '') WHERE json_valid(bench_facts)"
        )
    for columns in FOUND_BY:
        op.create_index(op.f(f"ix_runs_{'_'.join(columns)}"), "runs", columns)
    for table in TABLES if sqlite else ():
        op.execute(
            f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} are never taken away'); END"
        )


def downgrade() -> None:
    """Take the tables, the column and the indexes away."""
    for columns in FOUND_BY:
        op.drop_index(op.f(f"ix_runs_{'_'.join(columns)}"), "runs")
    op.drop_column("runs", "bench")
    for table in ("seals", "chains", "sealed_since"):
        op.drop_table(table)
