"""A run as one JSON document."""

from __future__ import annotations

from typing import Any

from benchrig.analysis.results import Characteristic
from benchrig.records.run_record import RunRecord, utc_text
from benchrig.verdict.judgement import Limit

__all__ = ["run_document"]


def run_document(record: RunRecord, page: str | None) -> dict[str, Any]:
    """Say what a run found, for a program to read.

    Parameters
    ----------
    record : RunRecord
        The run, from the store.
    page : str or None
        Where its page is, if there is one.

    Returns
    -------
    dict
        Only what JSON can hold; no NaN. A run without a verdict has ``verdict`` null, and ``error``, ``hint`` and
        ``bench_state`` tell why. Numbers that were not measured are null and ``why`` holds the reason.
    """
    judgement = record.judgement
    if judgement is not None:
        listed = [
            _entry(one.characteristic, one.limit, one.outcome, one.p_conform, one.why or one.characteristic.why_not)
            for one in judgement.judged
        ]
    else:
        limits = {limit.name: limit for limit in record.model.limits}
        listed = [_entry(each, limits.get(each.name), None, None, each.why_not) for each in record.characteristics]
    document: dict[str, Any] = {
        "run": record.run,
        "tag": record.intake.tag,
        "model": record.intake.model,
        "batch": record.intake.batch or None,
        "verdict": None if judgement is None else judgement.verdict,
        "why": None if judgement is None else judgement.why,
        "cause": None if judgement is None else judgement.cause,
        "cause_probability": None if judgement is None else judgement.cause_probability,
        "disposition": None if judgement is None else judgement.disposition,
        "disposition_why": None if judgement is None else judgement.disposition_why,
        "causes": []
        if judgement is None
        else [
            {"name": cause.name, "probability": cause.probability, "because": cause.because}
            for cause in judgement.causes
        ],
        "characteristics": listed,
        "ending": record.ending,
        "reason": record.intake.reason,
        "operator": record.intake.operator,
        "complaint": record.intake.complaint,
        "findings": record.intake.findings,
        "started": utc_text(record.started),
        "ended": None if record.ended is None else utc_text(record.ended),
        "bench_seconds": record.bench_seconds,
        "bench": record.bench.name,
        "simulated": record.bench.simulated,
        "rests_on": [{"kind": each.kind, "number": each.number, "says": each.says} for each in record.bench.grounds],
        "uncalibrated": list(record.bench.uncalibrated),
        "seed": record.seed,
        "program": record.program,
        "notes": list(record.notes),
        "control": _control(record),
        "decisions": [
            {
                "at": utc_text(each.at),
                "operator": each.operator,
                "disposition": each.disposition,
                "because": each.because,
            }
            for each in record.decisions
        ],
        "skipped": {step.name: step.skipped for step in record.steps if step.skipped},
        "digest": record.digest,
        "seal": None if record.seal is None else record.seal.document(),
        "page": page,
    }
    if record.away is not None:
        document["archive"] = {"file": record.away.file, "why_not_read": record.away.why_not or None}
    if record.ending != "finished":
        document |= {
            "error": record.error or "the run has not ended",
            "hint": record.hint,
            "bench_state": record.bench_state,
        }
    return document


def _control(record: RunRecord) -> str | None:
    """What a look at the bench without the valve said; None where the verdict needed none."""
    step = next((step for step in record.steps if step.name == "control"), None)
    if step is None:
        return None
    return "; ".join(step.notes) if not step.skipped else step.skipped


def _entry(
    each: Characteristic, limit: Limit | None, outcome: str | None, p_conform: float | None, why: str
) -> dict[str, Any]:
    return {
        "name": each.name,
        "value": each.value,
        "u": each.u,
        "unit": each.unit,
        "bound": each.bound or None,
        "low": None if limit is None else limit.low,
        "high": None if limit is None else limit.high,
        "limit_from": None if limit is None else limit.limit_from,
        "outcome": outcome,
        "p_conform": p_conform,
        "why": why,
        "how": each.how,
    }
