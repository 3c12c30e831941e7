"""One valve of a rehearsal: through the same sequence as a real one, its record kept in memory only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

from benchrig.bench.bench import Bench
from benchrig.bench.calibrations import Calibration
from benchrig.bench.constants import Kind
from benchrig.bench.file import BenchFile
from benchrig.bench.opening import open_registered
from benchrig.bench.traceability import Traceability
from benchrig.catalogue import ValveModel
from benchrig.clock import utc_now
from benchrig.errors import BenchError
from benchrig.rehearsal.perturbed_bench import bench_as_stated
from benchrig.rehearsal.plan import Entry
from benchrig.sequencer.calibration.calibrate import METHODS, calibrate
from benchrig.sequencer.events import Intake, RunEnded, RunStarted, StepResult
from benchrig.sequencer.operator import Hands, Silent
from benchrig.sequencer.run import qualify
from benchrig.verdict.judgement import Judged, Judgement

__all__ = ["Ending", "RehearsalSettings", "Result", "lost_valve", "options", "rehearse_one"]

Ending = Literal["finished", "bench fault", "program fault", "worker lost"]
BENCH = "simulated"
FITTING_S = 60.0
"""From the end of a calibration to the first valve: what was let in has come to the temperature of the walls."""


@dataclass(frozen=True)
class RehearsalSettings:
    """What all valves of a rehearsal share. `bench` is None for the simulated bench's own file.

    `as_stated`: every valve has a bench of its own, drawn from the distributions that the bench file states. `full`:
    everything is measured to the end, as for a return. `calibrated`: each bench has these constants calibrated before.
    `tank`: each has a vacuum tank.
    """

    seed: int
    models: Mapping[str, ValveModel]
    bench: BenchFile | None = None
    as_stated: bool = True
    full: bool = False
    calibrated: tuple[Kind, ...] = ()
    tank: bool = False


@dataclass(frozen=True)
class Result:
    """How one valve fared. `judgement` is None unless it finished; then `said` and `hint` say what happened."""

    entry: Entry
    ending: Ending
    judgement: Judgement | None = None
    bench_seconds: float | None = None
    said: str = ""
    hint: str = ""

    @property
    def verdict(self) -> str:
        """Verdict, or how it ended without one."""
        return self.ending if self.judgement is None else self.judgement.verdict

    @property
    def limited(self) -> tuple[Judged, ...]:
        """The characteristics that have a limit."""
        if self.judgement is None:
            return ()
        return tuple(each for each in self.judgement.judged if each.limit is not None and each.outcome != "no limit")


def lost_valve(entry: Entry, said: str) -> Result:
    """The result of a valve whose worker died or hung."""
    return Result(entry, "worker lost", said=said)


class InMemory:
    """A `Sink` that counts the steps and keeps nothing: no rehearsal is written into the workshop's store."""

    def run_started(self, run: RunStarted) -> str:
        """Give the run a number."""
        return "rehearsal"

    def step_finished(self, step: StepResult) -> None:
        """Let go of the step and its traces."""

    def run_ended(self, end: RunEnded) -> None:
        """Let go of the run."""


def options(entry: Entry, *, as_stated: bool = True) -> dict[str, object]:
    """What the simulated bench is asked for."""
    asked: dict[str, object] = {
        "model": entry.model,
        "condition": entry.condition,
        "seed": entry.seed,
        "faults": list(entry.faults),
        "as_stated": as_stated,
    }
    if entry.severity is not None:
        asked["severity"] = entry.severity
    if entry.value is not None:
        asked["value"] = entry.value
    return asked


def rehearse_one(setting: RehearsalSettings, entry: Entry) -> Result:
    """Take one valve through the sequence. Whatever happens becomes part of the result; only Ctrl-C passes through."""
    intake = Intake(f"R-{entry.index}", entry.model, "core", "rehearsal")
    try:
        asked = options(entry, as_stated=setting.as_stated)
        if setting.tank:
            asked["tank"] = True
        registered = open_registered(BENCH, asked)
        hands = cast("Hands", registered.hands)
        with registered as opened:
            bench = opened
            if setting.bench is not None:
                loaded = bench_as_stated(setting.bench, opened.loaded, entry.seed)
                bench = Bench(loaded, opened.clock, opened.board, opened.meter)
            _calibrate(bench, setting.calibrated, Silent(hands))
            finished = qualify(
                bench,
                setting.models[entry.model],
                intake,
                sink=InMemory(),
                seed=entry.seed,
                operator=Silent(hands),
                full=setting.full,
            )
    except BenchError as error:
        return Result(entry, "bench fault", said=str(error), hint=error.hint)
    except Exception as error:  # noqa: BLE001  # a bug is counted and listed like everything else that happens
        return Result(entry, "program fault", said=f"{type(error).__name__}: {error}", hint=_where(error))
    return Result(entry, "finished", finished.judgement, finished.bench_seconds)


def _calibrate(bench: Bench, kinds: tuple[Kind, ...], operator: Silent) -> None:
    """Let the bench find some of its constants, as 'bench calibrate' does, and rest on them."""
    made: list[Calibration] = []
    for kind in kinds:
        method = next(each for each in METHODS if each.kind == kind)
        made.append(calibrate(method, bench, operator, operator_name="rehearsal", now=utc_now()))
        bench.apply_calibrations(Traceability(used=tuple(made), assessed=utc_now()))
        bench.clock.sleep_until(bench.clock.now() + FITTING_S)


def _where(error: BaseException) -> str:
    """The innermost line of a traceback, for whoever mends it."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return "" if trace is None else f"{trace.tb_frame.f_code.co_filename}, line {trace.tb_lineno}"
