"""Digests over a record's content, chained from step to step.

The store rebuilds dataclasses from the content that it wrote, and the digest is taken over the same content: a record
that is read back can be checked against the digest that was written with it.
"""

from __future__ import annotations

import hashlib
from datetime import UTC
from typing import Any

import numpy as np

from benchrig.analysis.results import Curve, Trace
from benchrig.records.serialization import (
    bench_content,
    canonical,
    characteristic_content,
    intake_content,
    judgement_content,
    model_content,
    number,
    readings_content,
    text,
)
from benchrig.sequencer.events import RunEnded, RunStarted, StepResult

__all__ = ["end_digest", "start_digest", "step_digest"]


def start_digest(run: str, started: RunStarted) -> str:
    """The digest that a run's chain begins with: over its number and all that was known before the first switch."""
    content = {
        "run": run,
        "at": started.at.astimezone(UTC).isoformat(),
        "intake": intake_content(started.intake),
        "model": model_content(started.model),
        "bench": bench_content(started.bench),
        "seed": started.seed,
        "program": text(started.program),
    }
    return _chained("", content)


def step_digest(before: str, step: StepResult) -> str:
    """The digest of one step, chained to the one before it; samples enter by their exact bytes."""
    content = {
        "name": step.name,
        "title": text(step.title),
        "started_s": number(step.started_s),
        "ended_s": number(step.ended_s),
        "characteristics": [characteristic_content(each) for each in step.characteristics],
        "traces": [_trace_digest_content(trace) for trace in step.traces],
        "readings": readings_content(step.readings),
        "notes": [text(note) for note in step.notes],
        "skipped": text(step.skipped),
    }
    return _chained(before, content)


def end_digest(before: str, end: RunEnded) -> str:
    """The digest that closes a run's chain."""
    content = {
        "at": end.at.astimezone(UTC).isoformat(),
        "ending": end.ending,
        "bench_seconds": number(end.bench_seconds),
        "judgement": None if end.judgement is None else judgement_content(end.judgement),
        "error": text(end.error),
        "hint": text(end.hint),
        "bench_state": text(end.bench_state),
    }
    return _chained(before, content)


def _chained(before: str, content: object) -> str:
    return hashlib.sha256(f"{before}\n{canonical(content)}".encode()).hexdigest()


def _trace_digest_content(trace: Trace) -> dict[str, Any]:
    return {
        "name": trace.name,
        "time_s": _bytes_digest(trace.time_s),
        "columns": [[name, _bytes_digest(values)] for name, values in trace.columns.items()],
        "marks": [[text(label), number(t_s)] for label, t_s in trace.marks.items()],
        "curves": [[column, *_curve_digest_content(curve)] for column, curve in trace.curves],
    }


def _curve_digest_content(curve: Curve) -> tuple[str, str, str]:
    return text(curve.label), _bytes_digest(curve.time_s), _bytes_digest(curve.values)


def _bytes_digest(values: object) -> str:
    return hashlib.sha256(np.ascontiguousarray(values, dtype="<f8").tobytes()).hexdigest()
