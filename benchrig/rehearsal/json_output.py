"""A rehearsal as one JSON document."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchrig.rehearsal.confidence_limits import CONFIDENCE, Quantile, Rate
from benchrig.rehearsal.miss_explanations import again, distance_in_u, remedy
from benchrig.rehearsal.one_valve import RehearsalSettings, Result
from benchrig.rehearsal.plan import grade
from benchrig.rehearsal.tally import Tally, kind_of_miss

__all__ = ["miss_document", "rehearsal_document"]

METHOD = "Clopper-Pearson, two-sided"


def rehearsal_document(
    tally: Tally, setting: RehearsalSettings, *, workers: int, wall_seconds: float
) -> dict[str, Any]:
    """Keys may be added, never renamed. `valves` is how many were run: fewer than `asked` when it was stopped."""
    rates = tally.rates()
    median, p95 = tally.bench_seconds(0.5), tally.bench_seconds(0.95)
    return {
        "valves": len(tally.results),
        "asked": tally.asked,
        "complete": len(tally.results) == tally.asked,
        "seed": setting.seed,
        "false_accepts": rates["false_accepts"].count,
        "false_rejects": rates["false_rejects"].count,
        "undecided": rates["undecided"].count,
        "no_verdict": rates["no_verdict"].count,
        "table": tally.table(),
        "causes": tally.causes(),
        "rates": _rates(rates),
        "confidence": CONFIDENCE,
        "confidence_method": METHOD,
        "grades": {name: _rates(found) for name, found in tally.by_grade().items()},
        "models": {name: _rates(found) for name, found in tally.by_model().items()},
        "near_limits": tally.near_limits(),
        "as_stated": setting.as_stated,
        "full": setting.full,
        "misses": [miss_document(result, setting) for result in tally.misses()],
        "bench_seconds_median": None if median is None else round(median.value, 3),
        "bench_seconds_median_limits": _limits(median),
        "bench_seconds_p95": None if p95 is None else round(p95.value, 3),
        "bench_seconds_p95_limits": _limits(p95),
        "wall_seconds": round(wall_seconds, 2),
        "workers": workers,
    }


def miss_document(result: Result, setting: RehearsalSettings) -> dict[str, Any]:
    """One valve that is not as it should be."""
    entry, judgement = result.entry, result.judgement
    return {
        "kind": kind_of_miss(result),
        "index": entry.index,
        "seed": entry.seed,
        "model": entry.model,
        "condition": entry.condition,
        "severity": entry.severity,
        "grade": grade(entry.severity),
        "true_value": entry.value,
        "of_limit": entry.of_limit,
        "faults": list(entry.faults),
        "verdict": None if judgement is None else judgement.verdict,
        "ending": result.ending,
        "cause": None if judgement is None else judgement.cause,
        "cause_probability": None if judgement is None else judgement.cause_probability,
        "why": result.said if judgement is None else judgement.why,
        "hint": result.hint,
        "would_have_caught_it": remedy(result, setting.models[entry.model].guard_band),
        "characteristics": [
            {
                "name": each.characteristic.name,
                "value": each.characteristic.value,
                "u": each.characteristic.u,
                "outcome": each.outcome,
                "inside_by_u": distance_in_u(each),
            }
            for each in result.limited
        ],
        "again": again(result, as_stated=setting.as_stated, full=setting.full),
    }


def _rates(found: Mapping[str, Rate]) -> dict[str, dict[str, float | int | None]]:
    return {
        name: {
            "count": each.count,
            "of": each.of,
            "rate": each.rate,
            "low": each.limits[0] if each.of else None,
            "high": each.limits[1] if each.of else None,
        }
        for name, each in found.items()
    }


def _limits(found: Quantile | None) -> list[float | None]:
    return [None, None] if found is None else [found.low, found.high]
