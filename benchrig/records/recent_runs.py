"""What the last runs on a bench say of the bench itself: who was accepted when, and how the gas warmed up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from benchrig.bench.traceability import BenchKey
from benchrig.records import tables
from benchrig.records.recorder import run_number

__all__ = ["RecentRun", "recent_runs"]

MOST = 60


@dataclass(frozen=True)
class RecentRun:
    """One run: number, when it ended, how, and the readings of its hold, label -> value.

    `leak_measured` and `flow_measured`: with an uncertainty, so that an accepted valve proves the line tight and free.
    """

    run: str
    ended: datetime | None
    ending: str
    verdict: str
    leak_measured: bool
    flow_measured: bool
    hold: Mapping[str, float]


def recent_runs(connection: sa.Connection, bench: BenchKey, since: datetime) -> tuple[RecentRun, ...]:
    """The newest runs on a bench that began since then, newest first."""
    r, s, c = tables.runs.c, tables.steps.c, tables.characteristics.c
    mine = sa.select(r.id, r.ended_at, r.ending, r.verdict, r.bench_facts, r.started_at)
    mine = mine.where(
        r.simulated == int(bench.simulated), r.seed.is_(None) if bench.seed is None else r.seed == bench.seed
    )
    rows = [
        row
        for row in connection.execute(mine.order_by(r.id.desc()).limit(MOST)).all()
        if row.started_at >= since and row.bench_facts.name == bench.name
    ]
    ids = [row.id for row in rows]
    measured = {
        (row.run_id, row.name)
        for row in connection.execute(
            sa.select(s.run_id, c.name)
            .join(tables.steps, s.id == c.step_id)
            .where(s.run_id.in_(ids), c.u.is_not(None), c.bound == "")
        )
    }
    held = {
        row.run_id: {label: value for label, (value, _unit) in row.readings.items()}
        for row in connection.execute(sa.select(s.run_id, s.readings).where(s.run_id.in_(ids), s.name == "hold"))
    }
    return tuple(
        RecentRun(
            run_number(row.id),
            row.ended_at,
            row.ending,
            row.verdict or "",
            (row.id, "hold_leak_sccm") in measured,
            (row.id, "flow_at_rated_vacuum_lpm_anr") in measured,
            held.get(row.id, {}),
        )
        for row in rows
    )
