"""The tables of the store, as SQLAlchemy Core metadata.

Written once, read in sets. No column holds a NaN: a number that is not there is NULL, and a reason stands beside it.
Tables are strict, so that SQLite refuses a text where a number belongs.
"""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa

__all__ = [
    "APPLICATION_ID",
    "HEAD",
    "UtcText",
    "calibrations",
    "characteristics",
    "checks",
    "decisions",
    "identity",
    "metadata",
    "rests_on",
    "runs",
    "steps",
    "traces",
    "withdrawals",
]

APPLICATION_ID = 0x62724C31
"""Stamped into the file's header (``PRAGMA application_id``): how the store knows its own databases."""
HEAD = "0004"
"""The newest revision in ``migrations/versions``: what `metadata` describes."""

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcText(sa.types.TypeDecorator[datetime]):
    """An instant as ISO 8601 text in UTC, always of one length, so that text order is time order."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> str | None:
        """Write; a time of day without its zone is a bug and is refused."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant without a time zone cannot be kept")
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def process_result_value(self, value: str | None, dialect: sa.Dialect) -> datetime | None:
        """Read; the answer says that it is UTC."""
        return None if value is None else datetime.fromisoformat(value)


# A strict SQLite table knows REAL (eight bytes) but not DOUBLE; elsewhere REAL would mean four bytes.
_Real: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")
_Text = sa.Text

metadata = sa.MetaData(naming_convention=NAMING)

runs = sa.Table(
    "runs",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("tag", _Text, nullable=False, index=True),
    sa.Column("model", _Text, nullable=False, index=True),
    sa.Column("reason", _Text, nullable=False),
    sa.Column("operator", _Text, nullable=False),
    sa.Column("complaint", _Text, nullable=False),
    sa.Column("findings", _Text, nullable=False),
    sa.Column("started_at", UtcText, nullable=False),
    sa.Column("ended_at", UtcText),
    sa.Column("ending", _Text, nullable=False),
    sa.Column("simulated", sa.Integer, nullable=False),
    sa.Column("seed", sa.Integer),
    sa.Column("program", _Text, nullable=False),
    sa.Column("model_facts", _Text, nullable=False),
    sa.Column("bench_facts", _Text, nullable=False),
    sa.Column("verdict", _Text),
    sa.Column("cause", _Text),
    sa.Column("cause_probability", _Real),
    sa.Column("disposition", _Text),
    sa.Column("judgement", _Text),
    sa.Column("bench_seconds", _Real),
    sa.Column("error", _Text, nullable=False),
    sa.Column("hint", _Text, nullable=False),
    sa.Column("bench_state", _Text, nullable=False),
    sa.Column("start_digest", _Text, nullable=False),
    sa.Column("end_digest", _Text),
    sa.CheckConstraint("ending IN ('running', 'finished', 'aborted')", name="ending"),
    sa.CheckConstraint("(verdict IS NOT NULL) = (ending = 'finished')", name="verdict_only_when_finished"),
    sa.CheckConstraint("simulated IN (0, 1)", name="simulated"),
    sqlite_strict=True,
)
"""One row a run. `ending` is ``running`` until it ended; `model_facts`, `bench_facts` and `judgement` are JSON."""

# Rows of runs are long: without these, looking for the few that matter would read all of them.
sa.Index("ix_runs_running", runs.c.id, sqlite_where=runs.c.ending == sa.literal_column("'running'"))
sa.Index(
    "ix_runs_check_valve",
    runs.c.tag,
    runs.c.model,
    runs.c.simulated,
    sqlite_where=runs.c.reason == sa.literal_column("'check-valve'"),
)

steps = sa.Table(
    "steps",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), nullable=False),
    sa.Column("position", sa.Integer, nullable=False),
    sa.Column("name", _Text, nullable=False),
    sa.Column("title", _Text, nullable=False),
    sa.Column("started_s", _Real, nullable=False),
    sa.Column("ended_s", _Real, nullable=False),
    sa.Column("readings", _Text, nullable=False),
    sa.Column("notes", _Text, nullable=False),
    sa.Column("skipped", _Text, nullable=False),
    sa.Column("digest", _Text, nullable=False),
    sa.UniqueConstraint("run_id", "position"),
    sqlite_strict=True,
)
"""One row a finished step. `digest` is chained: it covers this step with its traces, and the digest before it."""

characteristics = sa.Table(
    "characteristics",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("step_id", sa.Integer, sa.ForeignKey("steps.id"), nullable=False),
    sa.Column("position", sa.Integer, nullable=False),
    sa.Column("name", _Text, nullable=False, index=True),
    sa.Column("value", _Real),
    sa.Column("u", _Real),
    sa.Column("unit", _Text, nullable=False),
    sa.Column("how", _Text, nullable=False),
    sa.Column("bound", _Text, nullable=False),
    sa.Column("why_not", _Text, nullable=False),
    sa.Column("parts", _Text, nullable=False),
    sa.UniqueConstraint("step_id", "position"),
    sa.CheckConstraint("value IS NOT NULL OR why_not <> ''", name="no_value_has_its_reason"),
    sqlite_strict=True,
)
"""What a step measured. A missing `value` has its reason in `why_not`."""

traces = sa.Table(
    "traces",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("step_id", sa.Integer, sa.ForeignKey("steps.id"), nullable=False),
    sa.Column("position", sa.Integer, nullable=False),
    sa.Column("name", _Text, nullable=False),
    sa.Column("samples", sa.Integer, nullable=False),
    sa.Column("marks", _Text, nullable=False),
    sa.Column("curves", _Text, nullable=False),
    sa.Column("arrays", sa.LargeBinary, nullable=False),
    sa.UniqueConstraint("step_id", "position"),
    sqlite_strict=True,
)
"""Samples and fitted curves: `arrays` is a compressed NumPy archive (npz), float64, readable without this program."""

checks = sa.Table(
    "checks",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("bench", _Text, nullable=False, index=True),
    sa.Column("simulated", sa.Integer, nullable=False),
    sa.Column("seed", sa.Integer),
    sa.Column("started_at", UtcText, nullable=False),
    sa.Column("ended_at", UtcText, nullable=False),
    sa.Column("operator", _Text, nullable=False),
    sa.Column("passed", sa.Integer, nullable=False),
    sa.Column("content", _Text, nullable=False),
    sa.Column("digest", _Text, nullable=False),
    sa.CheckConstraint("passed IN (0, 1)", name="passed"),
    sqlite_strict=True,
)
"""One row a bench check, passed or not; `content` is JSON, `digest` covers it."""

calibrations = sa.Table(
    "calibrations",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("bench", _Text, nullable=False, index=True),
    sa.Column("simulated", sa.Integer, nullable=False),
    sa.Column("seed", sa.Integer),
    sa.Column("kind", _Text, nullable=False),
    sa.Column("made_at", UtcText, nullable=False),
    sa.Column("until_at", UtcText, nullable=False),
    sa.Column("operator", _Text, nullable=False),
    sa.Column("content", _Text, nullable=False),
    sa.Column("digest", _Text, nullable=False),
    sqlite_strict=True,
)
"""One row a calibration, never changed and never taken away; `content` is JSON, `digest` covers it."""

withdrawals = sa.Table(
    "withdrawals",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("calibration_id", sa.Integer, sa.ForeignKey("calibrations.id"), nullable=False),
    sa.Column("at", UtcText, nullable=False),
    sa.Column("operator", _Text, nullable=False),
    sa.Column("reason", _Text, nullable=False),
    sa.UniqueConstraint("calibration_id"),
    sqlite_strict=True,
)
"""Calibrations that were found wrong later, and why."""

rests_on = sa.Table(
    "rests_on",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), nullable=False, index=True),
    sa.Column("check_id", sa.Integer, sa.ForeignKey("checks.id"), index=True),
    sa.Column("calibration_id", sa.Integer, sa.ForeignKey("calibrations.id"), index=True),
    sa.CheckConstraint("(check_id IS NULL) <> (calibration_id IS NULL)", name="one_of_both"),
    sqlite_strict=True,
)
"""Which run rested on which check and which calibrations."""

decisions = sa.Table(
    "decisions",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), nullable=False, index=True),
    sa.Column("at", UtcText, nullable=False),
    sa.Column("operator", _Text, nullable=False),
    sa.Column("disposition", _Text, nullable=False),
    sa.Column("because", _Text, nullable=False),
    sqlite_strict=True,
)
"""What a person decided about the part of a run, and why; the newest counts."""

identity = sa.Table(
    "identity",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("store", _Text, nullable=False),
    sa.Column("made", _Text, nullable=False),
    sa.Column("run", sa.Integer, nullable=False),
    sa.Column("check", sa.Integer, nullable=False),
    sa.Column("calibration", sa.Integer, nullable=False),
    sa.Column("digest", _Text, nullable=False),
    sa.CheckConstraint("id = 1", name="one_row"),
    sqlite_strict=True,
)
"""One row: which store this is and the highest numbers given out (`benchrig.records.identity`)."""

APPEND_ONLY = ("checks", "calibrations", "withdrawals", "rests_on", "decisions")
"""Rows of these tables are never changed or taken away: the database itself refuses."""


def append_only_sql(table: str) -> tuple[str, str]:
    """The two triggers that make a table append-only, for SQLite."""
    return (
        f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END",
        f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} are never taken away'); END",
    )


for _name in APPEND_ONLY:
    for _sql in append_only_sql(_name):
        _forbid = sa.DDL(_sql)  # type: ignore[no-untyped-call]  # the library leaves this one without types
        sa.event.listen(metadata.tables[_name], "after_create", _forbid.execute_if(dialect="sqlite"))
