"""Many made-up runs without traces, to list, export and sum up. Every number is our own invention."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import datetime, timedelta

from benchrig.records import Store
from benchrig.verdict.judgement import Cause
from tests.reports.sample_record import STARTED, ended, started, steps

CAUSES = ("seat leak", "stuck closed", "stuck closed", "restricted", "stuck closed", "sluggish", "seat leak")


def record_many(store: Store, runs: int, *, at: datetime = STARTED, drift: float = 0.0, seed: int = 1) -> None:
    """Ten minutes apart, one in four a reject; the coil's resistance rises by `drift` ohm from first to last."""
    choose = random.Random(seed)
    rejects = 0
    for number in range(runs):
        kind = ("accept", "accept", "reject", "accept", "undecided", "accept", "reject", "accept")[number % 8]
        kind = "aborted" if number % 17 == 16 else kind
        moved = drift * number / max(1, runs - 1)
        found = tuple(
            replace(
                step,
                traces=(),
                characteristics=tuple(
                    each
                    if each.value is None or each.bound
                    else replace(
                        each,
                        value=each.value * (1 + 0.01 * choose.gauss(0, 1)) + moved * (each.unit == "ohm"),
                    )
                    for each in step.characteristics
                ),
            )
            for step in steps(kind)
        )
        then = at + timedelta(minutes=10 * number)
        recorder = store.recorder()
        recorder.run_started(replace(started(f"C-{number % 60}"), at=then))
        for step in found:
            recorder.step_finished(step)
        end = ended(kind, found)
        if end.judgement is not None and kind == "reject":
            cause = CAUSES[rejects % len(CAUSES)]
            rejects += 1
            causes = (Cause(cause, 0.9, "as made up"),)
            end = replace(end, judgement=replace(end.judgement, cause=cause, causes=causes))
        recorder.run_ended(replace(end, at=then + timedelta(seconds=16), bench_seconds=12.0 + 0.1 * (number % 50)))
