"""Judge stored runs again: by this program's analysis of their traces, or by other limits. Nothing is changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from benchrig.application.events import Listener, RunsJudgedAgain, WorkersLost, nobody_listens
from benchrig.application.paths import demo_folder
from benchrig.bench.file import BenchFile, load_bench_file
from benchrig.catalogue.valve_model import ValveModel
from benchrig.clock import RealClock
from benchrig.errors import BenchError
from benchrig.records import Store
from benchrig.records.database.place import StorePlace
from benchrig.records.database.run_holds import run_number
from benchrig.records.run_record import RunRecord
from benchrig.sequencer.analysed_again import FinishedRun, JudgedBy, analysed_again, bench_of_run
from benchrig.verdict.judgement import Judged
from benchrig.workers.choice import chosen_workers
from benchrig.workers.work import Work

__all__ = ["JudgedAgain", "RunAgain", "ValueAgain", "judge_again"]

MOVED = 0.01
"""A value counts as moved when it, or its uncertainty, is off by more than this part of the uncertainty."""


@dataclass(frozen=True)
class ValueAgain:
    """One characteristic before and now; an outcome of None: it was not there."""

    name: str
    unit: str
    value_before: float | None
    u_before: float | None
    outcome_before: str | None
    value: float | None
    u: float | None
    outcome: str | None

    @property
    def moved(self) -> bool:
        """Whether this is more than the last figures of an optimisation."""
        if self.outcome != self.outcome_before:
            return True
        pairs = ((self.value_before, self.value), (self.u_before, self.u))
        if any((before is None) != (now is None) for before, now in pairs):
            return True
        most = MOVED * (self.u_before or abs(self.value_before or 0.0))
        return any(abs(now - before) > most for before, now in pairs if before is not None and now is not None)


@dataclass(frozen=True)
class RunAgain:
    """One run before and now. `why_not`: it could not be judged again."""

    run: str
    tag: str = ""
    model: str = ""
    verdict_before: str = ""
    cause_before: str | None = None
    verdict: str = ""
    cause: str | None = None
    why: str = ""
    values: tuple[ValueAgain, ...] = ()
    why_not: str = ""

    @property
    def changed(self) -> bool:
        """Whether anything would be told otherwise."""
        return (self.verdict, self.cause) != (self.verdict_before, self.cause_before) or any(
            each.moved for each in self.values
        )

    def document(self) -> dict[str, Any]:
        """For a program to read; of the values those that moved."""
        if self.why_not:
            return {"run": self.run, "why_not": self.why_not}
        return {
            "run": self.run,
            "tag": self.tag,
            "model": self.model,
            "verdict_before": self.verdict_before,
            "verdict": self.verdict,
            "cause_before": self.cause_before,
            "cause": self.cause,
            "why": self.why,
            "values": [vars(each) for each in self.values if each.moved],
        }


@dataclass(frozen=True)
class JudgedAgain:
    """All runs in the order of their numbers, whatever worker had them."""

    runs: tuple[RunAgain, ...]
    without_verdict: int
    """Runs that were left out: they came to no verdict."""
    jobs: int
    wall_s: float

    def table(self) -> Counter[tuple[str, str]]:
        """How many runs had one verdict and would have another, or the same."""
        return Counter((each.verdict_before, each.verdict) for each in self.runs if not each.why_not)

    def document(self) -> dict[str, Any]:
        """For a program to read; the same for any number of jobs but for ``jobs`` and ``wall_seconds``."""
        return {
            "runs": len(self.runs),
            "without_verdict": self.without_verdict,
            "table": {f"{before} -> {now}": count for (before, now), count in sorted(self.table().items())},
            "changed": [each.document() for each in self.runs if each.changed and not each.why_not],
            "not_judged": [each.document() for each in self.runs if each.why_not],
            "jobs": self.jobs,
            "wall_seconds": self.wall_s,
        }


@dataclass(frozen=True)
class _Setting:
    bench: BenchFile
    model: ValveModel | None


_opened: dict[StorePlace, Store] = {}
"""The store of a worker: opened once."""


def judge_again(
    store: Store,
    numbers: Sequence[int],
    *,
    model: ValveModel | None = None,
    bench_file: Path | None = None,
    jobs: int | None = 1,
    scheduler: str | None = None,
    tell: Listener = nobody_listens,
) -> JudgedAgain:
    """Analyse the traces of some runs and judge them.

    Parameters
    ----------
    numbers : sequence of int
        Of runs that came to a verdict.
    model : ValveModel or None
        Judge by its limits; None: by those that stand in each record.
    bench_file : Path or None
        For what a record does not hold of its bench; None: the usual values.
    jobs : int or None
        Processes on this computer; None: one for each core. What comes out is the same for any number.
    scheduler : str or None
        Address of a Dask scheduler whose workers do it; the records are read here and sent to them.

    Raises
    ------
    ConfigError
        The bench file is wrong; no such cluster, or not the same program on it.
    BenchError
        The workers cannot be started.
    """
    file = load_bench_file(demo_folder() / "bench.toml" if bench_file is None else bench_file).file
    setting = _Setting(file, model)
    clock = RealClock()
    began_s = clock.now()
    found: list[RunAgain] = []
    _opened[store.place] = store
    work = Work(setting, numbers, judge_record, _lost, fetch=partial(read_record, store.place))
    count = 1
    if scheduler is None and (jobs == 1 or len(numbers) < 2):
        for number in numbers:
            found.append(work.done(number))
            tell(RunsJudgedAgain(len(found), len(numbers)))
    else:
        try:
            with chosen_workers(jobs, scheduler, clock) as workers:
                count = min(workers.at_once, max(1, len(numbers)))
                coming = workers.work_through(work, cluster_lost=lambda lost: tell(WorkersLost.of(lost)))
                with closing(coming):
                    for result in coming:
                        found += [] if result is None else [result]
                        tell(RunsJudgedAgain(len(found), len(numbers)))
        except RuntimeError as error:
            raise BenchError(f"Judging again cannot run: {error}.", hint="Try --jobs 1; is memory short?") from error
    with_verdict = [each for each in found if each.why_not != _NO_VERDICT]
    with_verdict.sort(key=lambda each: int(each.run))
    return JudgedAgain(tuple(with_verdict), len(found) - len(with_verdict), count, clock.now() - began_s)


_NO_VERDICT = "it came to no verdict"


def read_record(place: StorePlace, number: int) -> RunRecord | RunAgain:
    """The record of a run; why there is none as a result."""
    try:
        if place not in _opened:
            _opened[place] = Store(place, reading=True)
        (record,) = _opened[place].read([number], traces=True)
    except (BenchError, ValueError, KeyError) as error:
        return RunAgain(run_number(number), why_not=_told(error))
    return record


def judge_record(setting: _Setting, record: RunRecord | RunAgain) -> RunAgain:
    """One run. What goes wrong becomes part of the result."""
    if isinstance(record, RunAgain):
        return record
    run = record.run
    try:
        was = record.judgement
        if was is None:
            return RunAgain(run, why_not=_NO_VERDICT)
        if record.away is not None and record.away.why_not:
            return RunAgain(run, why_not=record.away.why_not)
        by = JudgedBy.of(record.model if setting.model is None else setting.model)
        finished = FinishedRun(record.intake, record.bench, record.steps, was)
        now = analysed_again(finished, bench_of_run(record.bench, setting.bench), by)
    except (BenchError, ValueError, KeyError) as error:
        return RunAgain(run, why_not=_told(error))
    before = {each.characteristic.name: each for each in was.judged}
    after = {each.characteristic.name: each for each in now.judged}
    values = tuple(_value(name, before.get(name), after.get(name)) for name in dict.fromkeys((*after, *before)))
    return RunAgain(
        run, record.tag, record.intake.model, was.verdict, was.cause, now.verdict, now.cause, now.why, values
    )


def _told(error: Exception) -> str:
    return str(error) if isinstance(error, BenchError) else f"{type(error).__name__}: {error}"


def _value(name: str, before: Judged | None, now: Judged | None) -> ValueAgain:
    unit = next(each.characteristic.unit for each in (now, before) if each is not None)
    told = [
        (None, None, None) if each is None else (each.characteristic.value, each.characteristic.u, each.outcome)
        for each in (before, now)
    ]
    return ValueAgain(name, unit, *told[0], *told[1])


def _lost(number: int, said: str) -> RunAgain:
    return RunAgain(run_number(number), why_not=said)
