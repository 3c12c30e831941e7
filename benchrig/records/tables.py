"""The tables of the store, as SQLAlchemy Core metadata.

Written once, read in sets. Objects go in and come out: how a column keeps them is its type (`column_types`).
No column holds a NaN: a number that is not there is NULL, and a reason stands beside it. Tables are strict, so that
SQLite refuses a text where a number belongs.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from benchrig.records import serialization
from benchrig.records.column_types import REAL, WHOLE, ArraysBlob, FiniteReal, JsonText, PlainText, UtcText
from benchrig.records.database.append_only import add_rules

__all__ = [
    "APPLICATION_ID",
    "HEAD",
    "calibrations",
    "chains",
    "characteristics",
    "checks",
    "decisions",
    "delivered",
    "identity",
    "insert_row",
    "metadata",
    "rests_on",
    "runs",
    "sealed_since",
    "seals",
    "steps",
    "traces",
    "withdrawals",
]

APPLICATION_ID = 0x62724C31
"""Stamped into the file's header (``PRAGMA application_id``): how the store knows its own databases."""
HEAD = "0007"
"""The newest revision in ``migrations/versions``: what `metadata` describes."""

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


metadata = sa.MetaData(naming_convention=NAMING)


def _only_where(condition: sa.ColumnElement[bool]) -> dict[str, Any]:
    """For an index of some rows only, on both engines."""
    return {"sqlite_where": condition, "postgresql_where": condition}


runs = sa.Table(
    "runs",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("tag", PlainText, nullable=False, index=True),
    sa.Column("model", PlainText, nullable=False, index=True),
    sa.Column("reason", PlainText, nullable=False),
    sa.Column("operator", PlainText, nullable=False),
    sa.Column("complaint", PlainText, nullable=False),
    sa.Column("findings", PlainText, nullable=False),
    sa.Column("started_at", UtcText, nullable=False),
    sa.Column("ended_at", UtcText),
    sa.Column("ending", PlainText, nullable=False),
    sa.Column("simulated", WHOLE, nullable=False),
    sa.Column("seed", WHOLE),
    sa.Column("program", PlainText, nullable=False),
    sa.Column("model_facts", JsonText(serialization.model_content, serialization.model_from), nullable=False),
    sa.Column("bench_facts", JsonText(serialization.bench_content, serialization.bench_from), nullable=False),
    sa.Column("verdict", PlainText),
    sa.Column("cause", PlainText),
    sa.Column("cause_probability", FiniteReal),
    sa.Column("disposition", PlainText),
    sa.Column("judgement", JsonText(serialization.judgement_content, serialization.judgement_from)),
    sa.Column("bench_seconds", FiniteReal),
    sa.Column("error", PlainText, nullable=False),
    sa.Column("hint", PlainText, nullable=False),
    sa.Column("bench_state", PlainText, nullable=False),
    sa.Column("start_digest", PlainText, nullable=False),
    sa.Column("end_digest", PlainText),
    sa.Column("bench", PlainText, nullable=False, server_default=""),
    sa.Column("batch", PlainText, nullable=False, server_default=""),
    sa.CheckConstraint("ending IN ('running', 'finished', 'aborted')", name="ending"),
    sa.CheckConstraint("(verdict IS NOT NULL) = (ending = 'finished')", name="verdict_only_when_finished"),
    sa.CheckConstraint("simulated IN (0, 1)", name="simulated"),
    sqlite_strict=True,
)
"""One row a run. `ending` is ``running`` until it ended; `model_facts`, `bench_facts` and `judgement` are JSON."""

# Rows of runs are long: without these, looking for the few that matter would read all of them.
sa.Index(None, runs.c.started_at)
for _found_by in ("verdict", "cause", "bench"):
    sa.Index(None, runs.c[_found_by], runs.c.started_at)
sa.Index("ix_runs_batch", runs.c.batch, runs.c.started_at, **_only_where(runs.c.batch != sa.literal_column("''")))
sa.Index("ix_runs_running", runs.c.id, **_only_where(runs.c.ending == sa.literal_column("'running'")))
sa.Index(
    "ix_runs_check_valve",
    runs.c.tag,
    runs.c.model,
    runs.c.simulated,
    **_only_where(runs.c.reason == sa.literal_column("'check-valve'")),
)

steps = sa.Table(
    "steps",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("run_id", WHOLE, sa.ForeignKey("runs.id"), nullable=False),
    sa.Column("position", WHOLE, nullable=False),
    sa.Column("name", PlainText, nullable=False),
    sa.Column("title", PlainText, nullable=False),
    sa.Column("started_s", FiniteReal, nullable=False),
    sa.Column("ended_s", FiniteReal, nullable=False),
    sa.Column("readings", JsonText(serialization.readings_content, serialization.readings_from), nullable=False),
    sa.Column("notes", JsonText(serialization.texts_content, tuple), nullable=False),
    sa.Column("skipped", PlainText, nullable=False),
    sa.Column("digest", PlainText, nullable=False),
    sa.UniqueConstraint("run_id", "position"),
    sqlite_strict=True,
)
"""One row a finished step. `digest` is chained: it covers this step with its traces, and the digest before it."""

characteristics = sa.Table(
    "characteristics",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("step_id", WHOLE, sa.ForeignKey("steps.id"), nullable=False),
    sa.Column("position", WHOLE, nullable=False),
    sa.Column("name", PlainText, nullable=False, index=True),
    sa.Column("value", REAL),
    sa.Column("u", REAL),
    sa.Column("unit", PlainText, nullable=False),
    sa.Column("how", PlainText, nullable=False),
    sa.Column("bound", PlainText, nullable=False),
    sa.Column("why_not", PlainText, nullable=False),
    sa.Column("parts", JsonText(serialization.parts_content, serialization.parts_from), nullable=False),
    sa.UniqueConstraint("step_id", "position"),
    sa.CheckConstraint("value IS NOT NULL OR why_not <> ''", name="no_value_has_its_reason"),
    sqlite_strict=True,
)
"""What a step measured. A missing `value` has its reason in `why_not`."""

traces = sa.Table(
    "traces",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("step_id", WHOLE, sa.ForeignKey("steps.id"), nullable=False),
    sa.Column("position", WHOLE, nullable=False),
    sa.Column("name", PlainText, nullable=False),
    sa.Column("samples", WHOLE, nullable=False),
    sa.Column("marks", JsonText(), nullable=False),
    sa.Column("curves", JsonText(), nullable=False),
    sa.Column("arrays", ArraysBlob, nullable=False),
    sa.UniqueConstraint("step_id", "position"),
    sqlite_strict=True,
)
"""Samples and fitted curves: `arrays` is a compressed NumPy archive (npz), float64, readable without this program."""

checks = sa.Table(
    "checks",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("bench", PlainText, nullable=False, index=True),
    sa.Column("simulated", WHOLE, nullable=False),
    sa.Column("seed", WHOLE),
    sa.Column("started_at", UtcText, nullable=False),
    sa.Column("ended_at", UtcText, nullable=False),
    sa.Column("operator", PlainText, nullable=False),
    sa.Column("passed", WHOLE, nullable=False),
    sa.Column("content", sa.Text, nullable=False),
    sa.Column("digest", PlainText, nullable=False),
    sa.CheckConstraint("passed IN (0, 1)", name="passed"),
    sqlite_strict=True,
)
"""One row a bench check, passed or not; `content` is JSON, `digest` covers it."""

calibrations = sa.Table(
    "calibrations",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("bench", PlainText, nullable=False, index=True),
    sa.Column("simulated", WHOLE, nullable=False),
    sa.Column("seed", WHOLE),
    sa.Column("kind", PlainText, nullable=False),
    sa.Column("made_at", UtcText, nullable=False),
    sa.Column("until_at", UtcText, nullable=False),
    sa.Column("operator", PlainText, nullable=False),
    sa.Column("content", sa.Text, nullable=False),
    sa.Column("digest", PlainText, nullable=False),
    sqlite_strict=True,
)
"""One row a calibration, never changed and never taken away; `content` is JSON, `digest` covers it."""

withdrawals = sa.Table(
    "withdrawals",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("calibration_id", WHOLE, sa.ForeignKey("calibrations.id"), nullable=False),
    sa.Column("at", UtcText, nullable=False),
    sa.Column("operator", PlainText, nullable=False),
    sa.Column("reason", PlainText, nullable=False),
    sa.UniqueConstraint("calibration_id"),
    sqlite_strict=True,
)
"""Calibrations that were found wrong later, and why."""

rests_on = sa.Table(
    "rests_on",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("run_id", WHOLE, sa.ForeignKey("runs.id"), nullable=False, index=True),
    sa.Column("check_id", WHOLE, sa.ForeignKey("checks.id"), index=True),
    sa.Column("calibration_id", WHOLE, sa.ForeignKey("calibrations.id"), index=True),
    sa.CheckConstraint("(check_id IS NULL) <> (calibration_id IS NULL)", name="one_of_both"),
    sqlite_strict=True,
)
"""Which run rested on which check and which calibrations."""

decisions = sa.Table(
    "decisions",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("run_id", WHOLE, sa.ForeignKey("runs.id"), nullable=False, index=True),
    sa.Column("at", UtcText, nullable=False),
    sa.Column("operator", PlainText, nullable=False),
    sa.Column("disposition", PlainText, nullable=False),
    sa.Column("because", PlainText, nullable=False),
    sqlite_strict=True,
)
"""What a person decided about the part of a run, and why; the newest counts."""

identity = sa.Table(
    "identity",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("store", PlainText, nullable=False),
    sa.Column("made", PlainText, nullable=False),
    sa.Column("run", WHOLE, nullable=False),
    sa.Column("check", WHOLE, nullable=False),
    sa.Column("calibration", WHOLE, nullable=False),
    sa.Column("digest", PlainText, nullable=False),
    sa.CheckConstraint("id = 1", name="one_row"),
    sqlite_strict=True,
)
"""One row: which store this is and the highest numbers given out (`benchrig.records.identity`)."""

chains = sa.Table(
    "chains",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("bench", PlainText, nullable=False),
    sa.Column("simulated", WHOLE, nullable=False),
    sa.Column("origin", PlainText, nullable=False, server_default=""),
    sa.UniqueConstraint("bench", "simulated").ddl_if(dialect="sqlite"),
    sa.Index("uq_chains_origin", "origin", "bench", "simulated", unique=True).ddl_if(dialect="postgresql"),
    sa.CheckConstraint("simulated IN (0, 1)", name="simulated"),
    sqlite_strict=True,
)
"""One row a bench that has sealed something; a simulated one apart from a real one of the same name.

`origin` is empty in a file, which has one keeper. On a server it is ``key NAME`` where somebody wrote into it, and the
identity of the bench's own store for what was delivered from there: two benches of one name have two chains.
"""

seals = sa.Table(
    "seals",
    metadata,
    sa.Column("chain", WHOLE, sa.ForeignKey("chains.id"), primary_key=True, autoincrement=False),
    sa.Column("number", WHOLE, primary_key=True, autoincrement=False),
    sa.Column("kind", PlainText, nullable=False),
    sa.Column("subject", WHOLE, nullable=False),
    sa.Column("at", PlainText, nullable=False),
    sa.Column("says", PlainText, nullable=False),
    sa.Column("content", sa.Text, nullable=False),
    sa.Column("rows", PlainText, nullable=False),
    sa.Column("before", PlainText, nullable=False),
    sa.Column("key", PlainText, nullable=False),
    sa.Column("digest", PlainText, nullable=False),
    sa.Column("signature", PlainText, nullable=False),
    sa.Index(None, "kind", "subject"),
    sqlite_strict=True,
)
"""The entries of the chains (`benchrig.records.seals.Entry`)."""

delivered = sa.Table(
    "delivered",
    metadata,
    sa.Column("chain", WHOLE, sa.ForeignKey("chains.id"), primary_key=True, autoincrement=False),
    sa.Column("kind", PlainText, primary_key=True),
    sa.Column("subject", WHOLE, primary_key=True, autoincrement=False),
    sa.Column("here", WHOLE, nullable=False),
    sa.Column("rows", PlainText, nullable=False),
    sa.UniqueConstraint("kind", "here"),
    sqlite_strict=True,
)
"""The numbers that things had in the store which delivered them, `subject`, and those that they have here, `here`.

`rows` is the digest of the numbers of the rows of a run here, which the seal of another store cannot cover.
"""

sealed_since = sa.Table(
    "sealed_since",
    metadata,
    sa.Column("id", WHOLE, primary_key=True),
    sa.Column("run", WHOLE, nullable=False),
    sa.Column("check", WHOLE, nullable=False),
    sa.Column("calibration", WHOLE, nullable=False),
    sa.Column("withdrawal", WHOLE, nullable=False),
    sa.Column("decision", WHOLE, nullable=False),
    sa.CheckConstraint("id = 1", name="one_row"),
    sqlite_strict=True,
)
"""One row: the highest numbers that were there when sealing began. Up to them nothing was sealed."""

APPEND_ONLY = (
    "checks",
    "calibrations",
    "withdrawals",
    "rests_on",
    "decisions",
    "chains",
    "seals",
    "delivered",
    "sealed_since",
)
"""Rows of these tables are never changed or taken away: the database itself refuses."""


def insert_row(connection: sa.Connection, table: sa.Table, values: dict[str, Any]) -> int:
    """Write one row and return its number."""
    # With the values apart the statement is compiled once; with them in it, it is built and looked up for each row.
    key = connection.execute(sa.insert(table), values).inserted_primary_key
    if key is None:
        raise TypeError("an insert of one row gives its key")
    return int(key[0])


@sa.event.listens_for(metadata, "after_create")
def _forbid(_metadata: object, connection: sa.Connection, **_: object) -> None:
    add_rules(connection, APPEND_ONLY)
