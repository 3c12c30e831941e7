"""One run out of the store's tables, as it was handed to the recorder."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

import sqlalchemy as sa

from benchrig.analysis.results import Characteristic, Samples, Trace
from benchrig.records import tables
from benchrig.records.archive.archive_files import ArchiveAbsent, ArchiveFolder
from benchrig.records.archive.archived_arrays import ArchivedArrays
from benchrig.records.decisions import decisions_of
from benchrig.records.delivery.numbers import recorded_as
from benchrig.records.recorder import run_number
from benchrig.records.run_record import RunRecord, TracesAway
from benchrig.records.serialization import TraceContent, trace_from
from benchrig.sequencer.events import Intake, StepResult

__all__ = ["read_run"]

_STORE = sa.text("SELECT store FROM identity")


def read_run(
    connection: sa.Connection, run_id: int, *, traces: bool, archive: ArchiveFolder | None = None
) -> RunRecord:
    """Read one run; without its traces where nobody looks at them, and then its digests cannot be checked.

    Traces that were moved into an archive file are read from there; `RunRecord.away` says so, and why not.
    """
    s = tables.steps.c
    run = connection.execute(sa.select(tables.runs).where(tables.runs.c.id == run_id)).one()
    steps = connection.execute(sa.select(tables.steps).where(s.run_id == run_id).order_by(s.position)).all()
    measured: dict[int, list[Characteristic]] = defaultdict(list)
    for step_id, _, *found in connection.execute(_of_run(run_id, tables.characteristics, Characteristic)):
        measured[step_id].append(Characteristic(*found))
    drawn: dict[int, list[Trace]] = defaultdict(list)
    away: TracesAway | None = None
    if traces:
        rows = connection.execute(_of_run(run_id, tables.traces, TraceContent)).all()
        archived, away = _from_archive(run_id, steps, rows, archive)
        for step_id, place, *content in rows:
            told = TraceContent(*content)
            if isinstance(told.arrays, ArchivedArrays):
                if away is None or away.why_not:
                    continue
                told = replace(told, arrays=archived[step_id, place])
            drawn[step_id].append(trace_from(told))
    was = recorded_as(connection, "run", run_id)
    store = connection.execute(_STORE).scalar() if was is None else was.store
    return RunRecord(
        run=run_number(run_id),
        store=str(store or ""),
        recorded_as="" if was is None else run_number(was.number),
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
        away=away,
    )


def _from_archive(
    run_id: int, steps: Sequence[Any], rows: Sequence[Any], archive: ArchiveFolder | None
) -> tuple[dict[tuple[int, int], dict[str, Samples]], TracesAway | None]:
    """The arrays of those traces that were moved, by step's id and place; and where they are."""
    moved = {(row.step_id, row.position): row.arrays for row in rows if isinstance(row.arrays, ArchivedArrays)}
    if not moved:
        return {}, None
    position = {step.id: step.position for step in steps}
    of_steps = {step_id for step_id, _ in moved}
    file = next(iter(moved.values())).file
    away = TracesAway(file, tuple(step.name for step in steps if step.id in of_steps))
    if archive is None:
        return {}, replace(away, missing="nobody looked there")
    try:
        there = {name: archive.arrays(name, run_id) for name in {each.file for each in moved.values()}}
        found = {key: there[each.file][position[key[0]], key[1]] for key, each in moved.items()}
    except ArchiveAbsent as error:
        return {}, replace(away, missing=str(error))
    except KeyError:
        return {}, replace(away, damaged="this run is not in it")
    except ValueError as error:
        return {}, replace(away, damaged=str(error))
    return found, away


def _of_run(run_id: int, table: sa.Table, kind: type) -> sa.Select[Any]:
    """What the steps of a run keep in a table: the step's id, the place and the fields of one such object."""
    of_run = sa.select(tables.steps.c.id).where(tables.steps.c.run_id == run_id)
    kept = sa.select(table.c.step_id, table.c.position, *(table.c[field.name] for field in fields(kind)))
    return kept.where(table.c.step_id.in_(of_run)).order_by(table.c.step_id, table.c.position)
