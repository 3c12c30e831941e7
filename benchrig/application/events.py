"""What the use cases tell while they work, as data: a progress line, a batch's log and a console's page all listen.

A listener is called from the thread that works, between two looks at the board: it returns quickly and never raises.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from benchrig.bench.check_result import Look
from benchrig.bench.constants import Kind
from benchrig.sequencer.events import StepResult
from benchrig.sequencer.operator import Fitting

__all__ = [
    "BenchOpened",
    "CalibrationBegan",
    "Checked",
    "Connected",
    "Event",
    "Listener",
    "NothingKept",
    "PageNotWritten",
    "Progress",
    "ReferenceRead",
    "RehearsalBegan",
    "RehearsalProgress",
    "RunOpened",
    "StepBegan",
    "StepEnded",
    "StudyComplete",
    "StudyOpened",
    "StudyPartMeasured",
    "StudyStopped",
    "Uncalibrated",
    "WarmOffered",
    "Warned",
    "nobody_listens",
]


@dataclass(frozen=True)
class BenchOpened:
    """The bench is open and nothing is switched yet."""

    name: str
    simulated: bool


@dataclass(frozen=True)
class Warned:
    """Somebody should act on this; the work goes on."""

    text: str


@dataclass(frozen=True)
class Uncalibrated:
    """The run goes on without what its bench file asks for: every result is marked."""

    missing: tuple[str, ...]


@dataclass(frozen=True)
class WarmOffered:
    """The complaint speaks of heat. `asked`: whether somebody is there to say that the part be tested warm too."""

    asked: bool


@dataclass(frozen=True)
class RunOpened:
    """The run's record is open; from here on it has a number."""

    run: str


@dataclass(frozen=True)
class StepBegan:
    """A step has begun, number `number` of about `of`."""

    name: str
    title: str
    number: int
    of: int
    expected_s: float


@dataclass(frozen=True)
class Progress:
    """How far a step, a look or a calibration is, and the reading that a person would watch, ready to print."""

    what: str
    done_s: float
    expected_s: float
    reading: str


@dataclass(frozen=True)
class StepEnded:
    """A step has ended and is in the record."""

    step: StepResult


@dataclass(frozen=True)
class Connected:
    """The bench connected something by itself. `during`: while it was measuring."""

    fitting: Fitting
    during: bool = False


@dataclass(frozen=True)
class ReferenceRead:
    """The bench read a reference instrument by itself."""

    what: str
    value: float
    unit: str


@dataclass(frozen=True)
class Checked:
    """One look of the bench check is done."""

    look: Look


@dataclass(frozen=True)
class CalibrationBegan:
    """References are in date, the bench is next."""

    kind: Kind
    title: str
    bench: str
    simulated: bool


@dataclass(frozen=True)
class NothingKept:
    """A calibration was stopped: the constants in use until now stand."""


@dataclass(frozen=True)
class PageNotWritten:
    """The record is safe, its page is not there. `name`: what `benchrig report` calls it; `folder` and why."""

    name: str
    folder: str
    why: str


@dataclass(frozen=True)
class StudyOpened:
    """A study begins, or goes on with `done` of `whole` measurements made."""

    name: str
    done: int
    whole: int
    simulated: bool


@dataclass(frozen=True)
class StudyComplete:
    """Nothing is left to measure in a study of that name."""

    name: str
    whole: int


@dataclass(frozen=True)
class StudyPartMeasured:
    """One measurement of a study is kept. Its values are not told: nobody is to measure towards them."""

    part: str
    operator: str
    trial: int
    number: int
    whole: int
    simulated: bool


@dataclass(frozen=True)
class StudyStopped:
    """A study was stopped; what was measured is kept."""

    done: int
    whole: int


@dataclass(frozen=True)
class RehearsalBegan:
    """The workers are up. Files are None where what comes with the program is used."""

    valves: int
    seed: int
    workers: int
    mix_file: Path | None
    bench_file: Path | None


@dataclass(frozen=True)
class RehearsalProgress:
    """So many valves are through, so many of them without a verdict, after so many seconds."""

    done: int
    of: int
    without_verdict: int
    wall_s: float


Event = (
    BenchOpened
    | Warned
    | Uncalibrated
    | WarmOffered
    | RunOpened
    | StepBegan
    | Progress
    | StepEnded
    | Connected
    | ReferenceRead
    | Checked
    | CalibrationBegan
    | NothingKept
    | PageNotWritten
    | StudyOpened
    | StudyComplete
    | StudyPartMeasured
    | StudyStopped
    | RehearsalBegan
    | RehearsalProgress
)
Listener = Callable[[Event], None]


def nobody_listens(_: Event) -> None:
    """For whoever wants the result alone."""
