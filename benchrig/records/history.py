"""What a check valve measured, run after run: the values for its charts."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from benchrig.errors import ConfigError
from benchrig.records import tables
from benchrig.records.database.place import StorePlace
from benchrig.records.recorder import run_number

__all__ = ["REASON", "CheckValveHistory", "CheckValveRun", "check_valve_history"]

REASON = "check-valve"


@dataclass(frozen=True)
class CheckValveRun:
    """One run: number, when, verdict, values that were measured (bounds left out), and readings of the ready step."""

    run: str
    started: datetime
    verdict: str
    values: Mapping[str, float]
    readings: Mapping[str, float]
    """Label -> value: ``ambient temperature`` in degC, ``ambient pressure`` in kPa by the transducer, and, where a
    barometer was entered, ``transducer less barometer`` in Pa."""


@dataclass(frozen=True)
class CheckValveHistory:
    """All runs of one check valve, oldest first; `units` by characteristic."""

    tag: str
    model: str
    simulated: bool
    runs: tuple[CheckValveRun, ...]
    units: Mapping[str, str]


def check_valve_history(connection: sa.Connection, where: StorePlace, tag: str | None) -> CheckValveHistory:
    """Read them. Runs of the same tag as another valve model, or on the other kind of bench, are left out.

    Raises
    ------
    ConfigError
        No finished run for the reason ``check-valve``, of that tag or at all.
    """
    r, s, c = tables.runs.c, tables.steps.c, tables.characteristics.c
    of_check = (r.reason == REASON, r.ending == "finished")
    query = sa.select(r.tag, r.model, r.simulated).where(*of_check).order_by(r.id.desc()).limit(1)
    if tag is not None:
        query = query.where(r.tag == tag.strip())
    last = connection.execute(query).first()
    if last is None:
        of_tag = "" if tag is None else f" with tag {tag.strip()!r}"
        raise ConfigError(
            f"No finished run of a check valve{of_tag} in {where}.",
            hint="Measure a known-good part daily: benchrig qualify --reason check-valve --model MODEL --tag TAG.",
        )
    mine = (*of_check, r.tag == last.tag, r.model == last.model, r.simulated == last.simulated)
    runs = connection.execute(sa.select(r.id, r.started_at, r.verdict).where(*mine).order_by(r.id)).all()
    found = connection.execute(
        sa.select(s.run_id, c.name, c.value, c.unit)
        .join(tables.steps, s.id == c.step_id)
        .join(tables.runs, r.id == s.run_id)
        .where(*mine, c.value.is_not(None), c.bound == "")
    ).all()
    ready = connection.execute(
        sa.select(s.run_id, s.readings).join(tables.runs, r.id == s.run_id).where(*mine, s.name == "ready")
    ).all()
    readings = {
        row.run_id: {label: value for label, (value, _unit) in row.readings.items() if not math.isnan(value)}
        for row in ready
    }
    values: dict[int, dict[str, float]] = defaultdict(dict)
    for row in found:
        values[row.run_id][row.name] = float(row.value)
    return CheckValveHistory(
        last.tag,
        last.model,
        bool(last.simulated),
        tuple(
            CheckValveRun(run_number(row.id), row.started_at, row.verdict, values[row.id], readings.get(row.id, {}))
            for row in runs
        ),
        {row.name: row.unit for row in found},
    )
