"""Take the parts of a gauge study over the bench, one after the other, as the study's plan says."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchrig.application.bench_choice import BenchChoice, key_of, open_bench
from benchrig.application.events import (
    Listener,
    StudyComplete,
    StudyOpened,
    StudyPartMeasured,
    StudyStopped,
    nobody_listens,
)
from benchrig.application.model_on_bench import check_model_on_bench
from benchrig.application.questions import Nobody, Questions, StudyPart
from benchrig.application.valid_calibrations import use_valid_calibrations
from benchrig.bench.bench import Bench, never
from benchrig.bench.opening import open_registered
from benchrig.catalogue import ValveModel
from benchrig.clock import utc_now
from benchrig.errors import BenchError, ConfigError
from benchrig.records import Store
from benchrig.records.study_file import StudyFile, StudyPlan, planned_order
from benchrig.sequencer.measuring import OnlyMeasured, measure_only

__all__ = ["StudyRequest", "run_study"]

TRIES_SEED = 100_003
"""Keeps the seeds of one study's measurements apart from those of another."""


@dataclass(frozen=True)
class StudyRequest:
    """Which study. `condition` is that of simulated parts; None: a real bench."""

    name: str
    model: ValveModel
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    steps: tuple[str, ...]
    bench_file: Path | None
    condition: str | None
    severity: tuple[float, float] | None
    seed: int

    @property
    def setting(self) -> dict[str, Any]:
        """How simulated parts are drawn."""
        if self.condition is None:
            return {}
        return {
            "condition": self.condition,
            "severity": None if self.severity is None else list(self.severity),
            "seed": self.seed,
        }

    def simulated_options(self, part: str, number: int) -> dict[str, object]:
        """Options of the simulated bench for one part, on the bench for the `number`-th time in the study."""
        position = self.parts.index(part)
        options: dict[str, object] = {
            "model": self.model.model,
            "condition": self.condition,
            "seed": self.seed * TRIES_SEED + number,
            "valve_seed": self.seed * TRIES_SEED + position,
            "bench_seed": self.seed,
        }
        if self.severity is not None:
            low, high = self.severity
            options["severity"] = low + (high - low) * position / max(1, len(self.parts) - 1)
        return options


def run_study(
    path: Path,
    request: StudyRequest,
    store: Store,
    *,
    questions: Questions | None = None,
    tell: Listener = nobody_listens,
    stop_wanted: Callable[[], bool] = never,
) -> StudyFile:
    """Measure what is left to measure, and give back the study's file.

    Parameters
    ----------
    path : Path
        The study's file; one that is there already goes on.
    request : StudyRequest
        What is to be measured.
    store, questions, tell, stop_wanted
        As for `benchrig.application.qualification.qualify_valve`.

    Raises
    ------
    ConfigError
        A study of that name is about something else, or the bench cannot be opened.
    BenchError
        Something is wrong with the bench. What was measured is kept.
    KeyboardInterrupt
        It was stopped. What was measured is kept.
    """
    asked = questions if questions is not None else Nobody()
    with _open(request, store, tell) as bench:
        study = _study_file(path, request, bench)
        left = study.left
        whole = len(study.plan.order)
        if not left:
            tell(StudyComplete(request.name, whole))
            return study
        tell(StudyOpened(request.name, whole - len(left), whole, request.condition is not None))
        numbers = {cell: k for k, cell in enumerate(study.plan.order)}
        try:
            for part, operator, trial in left:
                place = StudyPart(part, operator, trial, numbers[part, operator, trial] + 1, whole)
                found = _measured(request, bench, place, asked, stop_wanted)
                study.add((part, operator, trial), utc_now(), found.characteristics, found.notes)
                tell(StudyPartMeasured(part, operator, trial, place.number, whole, bench is None))
        except (BenchError, KeyboardInterrupt):
            tell(StudyStopped(whole - len(study.left), whole))
            raise
    return study


def _measured(
    request: StudyRequest, bench: Bench | None, place: StudyPart, questions: Questions, stop_wanted: Callable[[], bool]
) -> OnlyMeasured:
    if bench is not None:
        questions.study_part(place)
        bench.stop_wanted = stop_wanted
        return _measure(request, bench)
    with open_registered("simulated", request.simulated_options(place.part, place.number - 1)) as simulated:
        check_model_on_bench(request.model, simulated)
        simulated.stop_wanted = stop_wanted
        return _measure(request, simulated)


def _measure(request: StudyRequest, bench: Bench) -> OnlyMeasured:
    return measure_only(bench, request.model, steps=request.steps)


@contextmanager
def _open(request: StudyRequest, store: Store, tell: Listener) -> Iterator[Bench | None]:
    """The real bench, open from the first part to the last; None for simulated parts, which bring theirs along."""
    if request.condition is not None:
        yield None
        return
    with open_bench(BenchChoice(request.bench_file)) as bench:
        check_model_on_bench(request.model, bench)
        # Calibrated constants as far as there are any in date: a study asks for none.
        use_valid_calibrations(bench, store, key_of(bench, None), tell, with_check=False)
        yield bench


def _study_file(path: Path, request: StudyRequest, bench: Bench | None) -> StudyFile:
    plan = StudyPlan(
        name=request.name,
        model=request.model.model,
        bench="simulated bench" if bench is None else bench.file.bench.name,
        simulated=bench is None or bench.file.bench.simulated,
        parts=request.parts,
        operators=request.operators,
        trials=request.trials,
        steps=request.steps,
        order=planned_order(request.parts, request.operators, request.trials, seed=request.seed),
        begun=utc_now(),
        setting=request.setting,
    )
    if not path.exists():
        if len(request.parts) < 2:
            raise ConfigError("A study needs at least 2 parts.", hint="--parts 10, or --parts P1,P2,P3.")
        return StudyFile.begin(path, plan)
    study = StudyFile.read(path)
    differs = study.plan.same_study(plan)
    if differs:
        raise ConfigError(
            f"There is a study {request.name} already, with other {', '.join(differs)}.",
            hint="Another --study NAME begins a new one; the same options as before go on with that one.",
        )
    return study
