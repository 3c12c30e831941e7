"""Measure without judging: some steps of the sequence, for a study of the bench itself. No record, no verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.analysis.results import Characteristic
from benchrig.bench.bench import Bench
from benchrig.bench.safe_shutdown import end_safe, safe_on_error
from benchrig.catalogue.valve_model import ValveModel
from benchrig.sequencer.captures import check_captures
from benchrig.sequencer.context import Context, Quiet
from benchrig.sequencer.events import Watcher
from benchrig.sequencer.overlap import take_steps
from benchrig.sequencer.sequence import with_needed

__all__ = ["OnlyMeasured", "measure_only"]


@dataclass(frozen=True)
class OnlyMeasured:
    """What the steps found, their notes, and how long it took on the bench's clock."""

    characteristics: tuple[Characteristic, ...]
    notes: tuple[str, ...]
    bench_seconds: float


def measure_only(
    bench: Bench,
    model: ValveModel,
    *,
    steps: Sequence[str],
    watcher: Watcher | None = None,
) -> OnlyMeasured:
    """Take the part on the bench through the wanted steps.

    Parameters
    ----------
    bench : Bench
        Open; greeted and armed anew each time, so that a part can be changed in between with everything off.
    model : ValveModel
        What the part should be.
    steps : sequence of str
        Of `benchrig.sequencer.sequence.MEASURING_STEPS`. What they need goes before them.

    Raises
    ------
    BenchError
        Something is wrong with the bench. The outputs are off; `errors.aborted` says how the bench was left.
    """
    run = Context(bench, model, watcher if watcher is not None else Quiet())
    with safe_on_error(bench):
        bench.connect()
        check_captures(bench)
        run.began_s = bench.clock.now()
        bench.arm(model.coil_limit_s)
        results = take_steps(with_needed(steps), run)
        end_safe(bench)
    notes = (note for each in results for note in (*each.notes, each.skipped) if note)
    return OnlyMeasured(tuple(run.found), tuple(notes), bench.clock.now() - run.began_s)
