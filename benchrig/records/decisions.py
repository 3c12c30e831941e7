"""What a person decided about a part after its run. Written once; a second thought is a new entry."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from benchrig.records import tables
from benchrig.records.bench_keys import BenchKeys
from benchrig.records.seals import seal
from benchrig.verdict.judgement import Disposition

__all__ = ["Decision", "decisions_of", "keep_decision"]


@dataclass(frozen=True)
class Decision:
    """One decision. `at` is in UTC."""

    at: datetime
    operator: str
    disposition: Disposition
    because: str


def keep_decision(connection: sa.Connection, keys: BenchKeys, run_id: int, decision: Decision) -> None:
    """Write a decision about the part of a run, and seal it."""
    number = tables.insert_row(connection, tables.decisions, {**vars(decision), "run_id": run_id})
    c = tables.runs.c
    bench, simulated = connection.execute(sa.select(c.bench, c.simulated).where(c.id == run_id)).one()
    seal(connection, keys, (bench, bool(simulated)), "decision", number, decision.at)


def decisions_of(connection: sa.Connection, run_id: int) -> tuple[Decision, ...]:
    """The decisions about the part of a run, oldest first."""
    c = tables.decisions.c
    rows = connection.execute(
        sa.select(c.at, c.operator, c.disposition, c.because).where(c.run_id == run_id).order_by(c.id)
    )
    return tuple(Decision(*row) for row in rows)
