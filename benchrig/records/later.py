"""What came after a run that whoever holds its page or label should know: decisions, withdrawals, later runs.

A page and a label carry how many of these were known when they were made; held against the store, they tell whether
they are out of date.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import sqlalchemy as sa

from benchrig.records import tables
from benchrig.records.decisions import decisions_of
from benchrig.records.recorder import run_number

__all__ = ["Later", "later_than"]


@dataclass(frozen=True)
class Later:
    """One thing that came later. `says` is a sentence without its full stop; `at` is in UTC."""

    at: datetime
    kind: Literal["decision", "withdrawal", "run"]
    says: str


def later_than(connection: sa.Connection, run_id: int) -> tuple[Later, ...]:
    """All that came after a run, in the order of their times."""
    found = [
        Later(each.at, "decision", f"decided by {each.operator}: {each.disposition}, {each.because}")
        for each in decisions_of(connection, run_id)
    ]
    w, k, r, c = tables.withdrawals.c, tables.calibrations.c, tables.rests_on.c, tables.runs.c
    withdrawn = (
        sa.select(w.at, w.calibration_id, k.kind, w.reason)
        .join_from(tables.withdrawals, tables.calibrations, k.id == w.calibration_id)
        .where(w.calibration_id.in_(sa.select(r.calibration_id).where(r.run_id == run_id)))
    )
    for at, number, kind, reason in connection.execute(withdrawn):
        says = f"cal-{number:04d} ({kind}), which it rests on, was withdrawn: {reason}"
        found.append(Later(at, "withdrawal", says))
    part = sa.select(c.tag, c.simulated).where(c.id == run_id).subquery()
    again = (
        sa.select(c.started_at, c.id, c.verdict)
        .join(part, sa.and_(c.tag == part.c.tag, c.simulated == part.c.simulated))
        .where(c.id > run_id, c.ending == "finished")
    )
    for at, number, verdict in connection.execute(again):
        found.append(Later(at, "run", f"the part was tested again, run {run_number(number)}: {verdict}"))
    return tuple(sorted(found, key=lambda each: (each.at, each.kind, each.says)))
