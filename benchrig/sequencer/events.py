"""What the sequencer tells: to the store as a `Sink`, to a progress line or page as a `Watcher`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Literal, Protocol

from benchrig.analysis.results import Characteristic, Trace
from benchrig.bench.traceability import TraceabilityItem
from benchrig.clock import SinceBoot
from benchrig.verdict.judgement import MODELS_UNKNOWN, Judgement, Limit, Reason

if TYPE_CHECKING:  # who reads records does without pydantic
    from benchrig.catalogue import ValveModel

__all__ = [
    "BenchFacts",
    "Ending",
    "Intake",
    "ModelFacts",
    "RunEnded",
    "RunStarted",
    "Sink",
    "StepResult",
    "Watcher",
    "model_facts",
]

Ending = Literal["finished", "aborted"]


@dataclass(frozen=True)
class Intake:
    """Who brought which part, and why. All of it is data typed by a person: never markup, never a path."""

    tag: str
    model: str
    reason: Reason
    operator: str
    complaint: str = ""
    findings: str = ""
    batch: str = ""
    """The batch that it was tested in; empty for a part by itself."""


@dataclass(frozen=True)
class ModelFacts:
    """The valve model as it stood when the run was made, so that the record explains itself."""

    model: str
    title: str
    normally: Literal["closed", "open"]
    rated_vacuum_kpa: float
    guard_band: str
    limits: tuple[Limit, ...]
    fictional: bool

    @property
    def general_practice(self) -> bool:
        """Whether nobody had the model's own limits."""
        return self.model in MODELS_UNKNOWN


def model_facts(model: ValveModel) -> ModelFacts:
    """What the sequencer is told of a model."""
    return ModelFacts(
        model=model.model,
        title=model.title,
        normally=model.normally,
        rated_vacuum_kpa=model.rated_vacuum_kpa,
        guard_band=model.guard_band,
        limits=model.limits,
        fictional=model.fictional,
    )


@dataclass(frozen=True)
class BenchFacts:
    """The bench as it stood when the run was made."""

    name: str
    workshop: str
    simulated: bool
    board: str
    meter: str
    bench_file_sha256: str
    constants: Mapping[str, tuple[float, float, str]]
    """Name -> (value, standard uncertainty, unit): reservoir volume, shunt, leads, transducer, background leak."""
    grounds: tuple[TraceabilityItem, ...] = ()
    """The bench check and the calibrations that the run rests on."""
    uncalibrated: tuple[str, ...] = ()
    """What the bench file asks for and was not there: the operator allowed the run without."""
    remarks: tuple[str, ...] = ()
    """What the bench file does without."""
    address: str = ""
    """Of the workshop, on one line; empty in records made before there was one."""
    since_boot: SinceBoot | None = None
    """Of the computer, when the run began: it shows whether the clock was put forward since."""


@dataclass(frozen=True)
class RunStarted:
    """Everything known before the first switch is thrown."""

    at: datetime
    intake: Intake
    model: ModelFacts
    bench: BenchFacts
    seed: int | None
    program: str


@dataclass(frozen=True)
class StepResult:
    """One finished step.

    `name` is ready, coil, hold, flow, clicks or control; times are bench seconds since the run began.
    """

    name: str
    title: str
    started_s: float
    ended_s: float
    characteristics: tuple[Characteristic, ...] = ()
    traces: tuple[Trace, ...] = ()
    readings: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    """Plain readings for the record: label -> (value, unit)."""
    notes: tuple[str, ...] = ()
    skipped: str = ""
    """Why the step was not run; empty when it was."""


@dataclass(frozen=True)
class RunEnded:
    """How the run ended. `judgement` is None when it was aborted; then `error`, `hint` and `bench_state` say why."""

    at: datetime
    ending: Ending
    bench_seconds: float
    judgement: Judgement | None = None
    error: str = ""
    hint: str = ""
    bench_state: str = ""


class Sink(Protocol):
    """Where results go as they happen. Each call returns only when what it was given is safe."""

    def run_started(self, run: RunStarted) -> str:
        """Open a record and return the run's number, e.g. ``"0042"``."""

    def step_finished(self, step: StepResult) -> None:
        """Keep one finished step with its traces."""

    def run_ended(self, end: RunEnded) -> None:
        """Close the record."""


class Watcher(Protocol):
    """Who looks on while it happens: a progress line or a page. Must return quickly and never raise."""

    def step_began(self, name: str, title: str, expected_s: float) -> None:
        """A step has begun and will take about so many seconds."""

    def progress(self, name: str, done_s: float, expected_s: float, reading: str) -> None:
        """The step is this far; `reading` is the number a person would watch, ready to print."""

    def step_ended(self, step: StepResult) -> None:
        """A step has ended."""
