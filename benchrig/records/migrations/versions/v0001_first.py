"""The first schema: runs, steps, characteristics, traces.

Written out in full, not taken from the metadata, which moves on while a released revision never changes.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the four tables."""
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("tag", sa.Text(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("complaint", sa.Text(), nullable=False),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("started_at", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.Text()),
        sa.Column("ending", sa.Text(), nullable=False),
        sa.Column("simulated", sa.Integer(), nullable=False),
        sa.Column("seed", sa.Integer()),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("model_facts", sa.Text(), nullable=False),
        sa.Column("bench_facts", sa.Text(), nullable=False),
        sa.Column("verdict", sa.Text()),
        sa.Column("cause", sa.Text()),
        sa.Column("cause_probability", _real()),
        sa.Column("disposition", sa.Text()),
        sa.Column("judgement", sa.Text()),
        sa.Column("bench_seconds", _real()),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("hint", sa.Text(), nullable=False),
        sa.Column("bench_state", sa.Text(), nullable=False),
        sa.Column("start_digest", sa.Text(), nullable=False),
        sa.Column("end_digest", sa.Text()),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
        sa.CheckConstraint("ending IN ('running', 'finished', 'aborted')", name=op.f("ck_runs_ending")),
        sa.CheckConstraint(
            "(verdict IS NOT NULL) = (ending = 'finished')", name=op.f("ck_runs_verdict_only_when_finished")
        ),
        sa.CheckConstraint("simulated IN (0, 1)", name=op.f("ck_runs_simulated")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_runs_tag"), "runs", ["tag"])
    op.create_index(op.f("ix_runs_model"), "runs", ["model"])
    op.create_table(
        "steps",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("started_s", _real(), nullable=False),
        sa.Column("ended_s", _real(), nullable=False),
        sa.Column("readings", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("skipped", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_steps")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_steps_run_id_runs")),
        sa.UniqueConstraint("run_id", "position", name=op.f("uq_steps_run_id_position")),
        sqlite_strict=True,
    )
    op.create_table(
        "characteristics",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("step_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", _real()),
        sa.Column("u", _real()),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("how", sa.Text(), nullable=False),
        sa.Column("bound", sa.Text(), nullable=False),
        sa.Column("why_not", sa.Text(), nullable=False),
        sa.Column("parts", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_characteristics")),
        sa.ForeignKeyConstraint(["step_id"], ["steps.id"], name=op.f("fk_characteristics_step_id_steps")),
        sa.UniqueConstraint("step_id", "position", name=op.f("uq_characteristics_step_id_position")),
        sa.CheckConstraint(
            "value IS NOT NULL OR why_not <> ''", name=op.f("ck_characteristics_no_value_has_its_reason")
        ),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_characteristics_name"), "characteristics", ["name"])
    op.create_table(
        "traces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("step_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("samples", sa.Integer(), nullable=False),
        sa.Column("marks", sa.Text(), nullable=False),
        sa.Column("curves", sa.Text(), nullable=False),
        sa.Column("arrays", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_traces")),
        sa.ForeignKeyConstraint(["step_id"], ["steps.id"], name=op.f("fk_traces_step_id_steps")),
        sa.UniqueConstraint("step_id", "position", name=op.f("uq_traces_step_id_position")),
        sqlite_strict=True,
    )


def downgrade() -> None:
    """Take the tables away, and every record with them."""
    for table in ("traces", "characteristics", "steps", "runs"):
        op.drop_table(table)


def _real() -> sa.types.TypeEngine[float]:
    return sa.Double().with_variant(sa.REAL(), "sqlite")
