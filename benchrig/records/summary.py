"""Many runs together: how many of each verdict, why they were rejected, how their values lie, whether these drift."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import sqlalchemy as sa

from benchrig.analysis.results import Samples
from benchrig.records import tables
from benchrig.records.run_list import RunsWanted
from benchrig.records.run_record import utc_text
from benchrig.verdict.judgement import Limit

__all__ = ["BenchTime", "CauseCount", "Drift", "Spread", "Summary", "summarise"]

LEAST_FOR_DRIFT = 20
SURE_T = 4.0
"""Chance makes such a slope once in some ten thousand: with a dozen characteristics a day it hardly ever shows."""


@dataclass(frozen=True)
class CauseCount:
    """A cause of rejects: how many, and what part of all rejects it makes together with those before it."""

    cause: str
    count: int
    cumulative: float


@dataclass(frozen=True)
class Drift:
    """A straight line through values against the time when they were measured.

    Attributes
    ----------
    change : float
        From the first run to the last, in the unit of the values.
    t : float
        That over its standard error: beyond `SURE_T` it is no chance.
    """

    change: float
    t: float

    @property
    def sure(self) -> bool:
        """Whether it is more than chance. Parts that come sorted drift as a bench does."""
        return abs(self.t) > SURE_T


@dataclass(frozen=True)
class Spread:
    """How the values of one characteristic of one model lie.

    Attributes
    ----------
    values : ndarray, shape (n,)
        In the order of the runs; bounds are left out and counted.
    bounds, missing : int
        How many were only a bound, and how many were not measured.
    limit : Limit or None
        By the latest of the runs.
    drift : Drift or None
        None for fewer than `LEAST_FOR_DRIFT` values.
    """

    model: str
    name: str
    unit: str
    values: Samples
    bounds: int
    missing: int
    limit: Limit | None
    drift: Drift | None

    def quantile(self, part: float) -> float | None:
        """A quantile of the values; None where there are none."""
        return float(np.quantile(self.values, part)) if len(self.values) else None

    @property
    def beyond(self) -> int:
        """How many values lie beyond the limit, uncertainty left aside."""
        if self.limit is None:
            return 0
        low = -math.inf if self.limit.low is None else self.limit.low
        high = math.inf if self.limit.high is None else self.limit.high
        return int(np.count_nonzero((self.values < low) | (self.values > high)))

    def document(self) -> dict[str, Any]:
        """For a program to read."""
        quantiles = {f"p{round(100 * part):02d}": self.quantile(part) for part in (0.05, 0.25, 0.5, 0.75, 0.95)}
        least, most = self.quantile(0.0), self.quantile(1.0)
        return {
            "model": self.model,
            "characteristic": self.name,
            "unit": self.unit,
            "measured": len(self.values),
            "only_a_bound": self.bounds,
            "not_measured": self.missing,
            "least": least,
            **quantiles,
            "most": most,
            "mean": float(self.values.mean()) if len(self.values) else None,
            "sd": float(self.values.std(ddof=1)) if len(self.values) > 1 else None,
            "low": None if self.limit is None else self.limit.low,
            "high": None if self.limit is None else self.limit.high,
            "beyond_limit": self.beyond,
            "drift": None if self.drift is None else self.drift.change,
            "drift_t": None if self.drift is None else self.drift.t,
            "drifts": self.drift is not None and self.drift.sure,
        }


@dataclass(frozen=True)
class BenchTime:
    """Seconds on the bench for each run that came to a verdict; None where there was none."""

    median_s: float | None
    p95_s: float | None
    total_s: float


@dataclass(frozen=True)
class Summary:
    """Some runs together.

    Attributes
    ----------
    runs, parts, running : int
        Runs begun, different tags among them, runs that are going on.
    verdicts : dict
        accept, reject, undecided, aborted -> how many runs.
    last_verdicts : dict
        The same of the parts, each by its last run that came to a verdict.
    """

    first: datetime | None
    last: datetime | None
    runs: int
    parts: int
    running: int
    simulated: int
    verdicts: dict[str, int]
    last_verdicts: dict[str, int]
    causes: tuple[CauseCount, ...]
    spreads: tuple[Spread, ...]
    time: BenchTime

    @property
    def accepted_part(self) -> float | None:
        """Yield: accepted runs as a part of those that came to a verdict; None where none did."""
        return _part(self.verdicts)

    @property
    def accepted_parts(self) -> float | None:
        """Yield by parts: those whose last run was accepted."""
        return _part(self.last_verdicts)

    def document(self) -> dict[str, Any]:
        """For a program to read."""
        return {
            "first": None if self.first is None else utc_text(self.first),
            "last": None if self.last is None else utc_text(self.last),
            "runs": self.runs,
            "parts": self.parts,
            "running": self.running,
            "simulated": self.simulated,
            "verdicts": self.verdicts,
            "yield": self.accepted_part,
            "last_verdicts": self.last_verdicts,
            "yield_of_parts": self.accepted_parts,
            "causes": [{"cause": c.cause, "count": c.count, "cumulative": c.cumulative} for c in self.causes],
            "characteristics": [each.document() for each in self.spreads],
            "bench_seconds_median": self.time.median_s,
            "bench_seconds_p95": self.time.p95_s,
            "bench_seconds_total": self.time.total_s,
        }


def summarise(connection: sa.Connection, wanted: RunsWanted) -> Summary:
    """Read the runs that are wanted and put them together."""
    c = tables.runs.c
    columns = (c.id, c.tag, c.model, c.verdict, c.cause, c.ending, c.bench_seconds, c.simulated, c.started_at)
    query = sa.select(*columns).where(*wanted.conditions()).order_by(c.started_at, c.id)
    rows = connection.execute(query).all()
    verdicts = dict.fromkeys(("accept", "reject", "undecided", "aborted"), 0)
    last: dict[str, str] = {}
    causes: Counter[str] = Counter()
    seconds: list[float] = []
    for row in rows:
        if row.verdict is None:
            verdicts["aborted"] += row.ending == "aborted"
            continue
        verdicts[row.verdict] += 1
        last[row.tag] = row.verdict
        if row.verdict == "reject":
            causes[row.cause or "no cause named"] += 1
        if row.bench_seconds is not None:
            seconds.append(row.bench_seconds)
    by_last = Counter(last.values())
    return Summary(
        first=rows[0].started_at if rows else None,
        last=rows[-1].started_at if rows else None,
        runs=len(rows),
        parts=len({row.tag for row in rows}),
        running=sum(row.ending == "running" for row in rows),
        simulated=sum(row.simulated for row in rows),
        verdicts=verdicts,
        last_verdicts={name: by_last.get(name, 0) for name in ("accept", "reject", "undecided")},
        causes=_pareto(causes),
        spreads=_spreads(connection, wanted, {row.id: (row.model, row.started_at) for row in rows}),
        time=BenchTime(_quantile(seconds, 0.5), _quantile(seconds, 0.95), math.fsum(seconds)),
    )


def _part(verdicts: dict[str, int]) -> float | None:
    told = sum(count for name, count in verdicts.items() if name != "aborted")
    return verdicts["accept"] / told if told else None


def _quantile(values: list[float], part: float) -> float | None:
    return float(np.quantile(values, part)) if values else None


def _pareto(causes: Counter[str]) -> tuple[CauseCount, ...]:
    """The most frequent first."""
    found, so_far, of = [], 0, sum(causes.values())
    for cause, count in sorted(causes.items(), key=lambda each: (-each[1], each[0])):
        so_far += count
        found.append(CauseCount(cause, count, so_far / of))
    return tuple(found)


def _spreads(
    connection: sa.Connection, wanted: RunsWanted, runs: dict[int, tuple[str, datetime]]
) -> tuple[Spread, ...]:
    r, s, c = tables.runs.c, tables.steps.c, tables.characteristics.c
    query = (
        sa.select(s.run_id, c.name, c.value, c.unit, c.bound)
        .join(tables.steps, s.id == c.step_id)
        .join(tables.runs, r.id == s.run_id)
        .where(*wanted.conditions())
    )
    found: dict[tuple[str, str], list[tuple[datetime, int, float | None, str, str]]] = defaultdict(list)
    for run_id, name, value, unit, bound in connection.execute(query):
        if run_id in runs:
            model, at = runs[run_id]
            found[model, name].append((at, run_id, value, unit, bound))
    limits = {model: _limits(connection, runs, model) for model in {model for model, _ in found}}
    spreads = []
    for (model, name), entries in sorted(found.items()):
        entries.sort(key=lambda each: each[:2])
        plain = [(at, value) for at, _, value, _, bound in entries if value is not None and not bound]
        values = np.array([value for _, value in plain], dtype=np.float64)
        hours = np.array([at.timestamp() / 3600 for at, _ in plain], dtype=np.float64)
        spreads.append(
            Spread(
                model=model,
                name=name,
                unit=entries[-1][3],
                values=values,
                bounds=sum(bool(bound) for *_, bound in entries),
                missing=sum(value is None for _, _, value, _, _ in entries),
                limit=limits[model].get(name),
                drift=_drift(hours, values),
            )
        )
    return tuple(spreads)


def _limits(connection: sa.Connection, runs: dict[int, tuple[str, datetime]], model: str) -> dict[str, Limit]:
    latest = max(run_id for run_id, (of, _) in runs.items() if of == model)
    facts = connection.execute(sa.select(tables.runs.c.model_facts).where(tables.runs.c.id == latest)).scalar_one()
    return {limit.name: limit for limit in facts.limits}


def _drift(hours: Samples, values: Samples) -> Drift | None:
    """A straight line by least squares; its standard error from what it leaves."""
    n = len(values)
    if n < LEAST_FOR_DRIFT or not np.ptp(hours) > 0:
        return None
    x = hours - hours.mean()
    ssx = float(x @ x)
    slope = float(x @ (values - values.mean())) / ssx
    left = values - values.mean() - slope * x
    error = math.sqrt(float(left @ left) / (n - 2) / ssx)
    t = slope / error if error > 0 else math.copysign(math.inf, slope) if slope else 0.0
    return Drift(slope * float(np.ptp(hours)), t if math.isfinite(t) else math.copysign(1e9, t))
