"""One run out of the store's tables, as it was handed to the recorder."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import fields
from typing import Any

import sqlalchemy as sa

from benchrig.analysis.results import Characteristic, Trace
from benchrig.records import tables
from benchrig.records.decisions import decisions_of
from benchrig.records.recorder import run_number
from benchrig.records.run_record import RunRecord
from benchrig.records.serialization import TraceContent, trace_from
from benchrig.sequencer.events import Intake, StepResult

__all__ = ["read_run"]


def read_run(connection: sa.Connection, run_id: int, *, traces: bool) -> RunRecord:
    """Read one run; without its traces where nobody looks at them, and then its digests cannot be checked."""
    s = tables.steps.c
    run = connection.execute(sa.select(tables.runs).where(tables.runs.c.id == run_id)).one()
    steps = connection.execute(sa.select(tables.steps).where(s.run_id == run_id).order_by(s.position)).all()
    measured: dict[int, list[Characteristic]] = defaultdict(list)
    for step_id, *found in connection.execute(_of_run(run_id, tables.characteristics, Characteristic)):
        measured[step_id].append(Characteristic(*found))
    drawn: dict[int, list[Trace]] = defaultdict(list)
    if traces:
        for step_id, *content in connection.execute(_of_run(run_id, tables.traces, TraceContent)):
            drawn[step_id].append(trace_from(TraceContent(*content)))
    return RunRecord(
        run=run_number(run_id),
        intake=Intake(run.tag, run.model, run.reason, run.operator, run.complaint, run.findings, run.batch),
        model=run.model_facts,
        bench=run.bench_facts,
        started=run.started_at,
        ended=run.ended_at,
        ending=run.ending,
        steps=tuple(
            StepResult(
                name=step.name,
                title=step.title,
                started_s=step.started_s,
                ended_s=step.ended_s,
                characteristics=tuple(measured[step.id]),
                traces=tuple(drawn[step.id]),
                readings=step.readings,
                notes=step.notes,
                skipped=step.skipped,
            )
            for step in steps
        ),
        judgement=run.judgement,
        error=run.error,
        hint=run.hint,
        bench_state=run.bench_state,
        bench_seconds=run.bench_seconds,
        seed=run.seed,
        program=run.program,
        digests=(
            run.start_digest,
            *(step.digest for step in steps),
            *(() if run.end_digest is None else (run.end_digest,)),
        ),
        decisions=decisions_of(connection, run_id),
    )


def _of_run(run_id: int, table: sa.Table, kind: type) -> sa.Select[Any]:
    """What the steps of a run keep in a table: the step's id and the fields of one such object, in their order."""
    of_run = sa.select(tables.steps.c.id).where(tables.steps.c.run_id == run_id)
    kept = sa.select(table.c.step_id, *(table.c[field.name] for field in fields(kind)))
    return kept.where(table.c.step_id.in_(of_run)).order_by(table.c.step_id, table.c.position)
