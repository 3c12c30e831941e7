"""What the use cases tell while they work, as data: a progress line, a batch's log and a console's page all listen.

Plain named tuples: twenty frozen dataclasses would cost every start some milliseconds.

A listener is called from the thread that works, between two looks at the board: it returns quickly and never raises.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from benchrig.application.batch_tally import BatchTally, PartJudged
from benchrig.bench.check_result import CheckItem
from benchrig.bench.constants import Kind
from benchrig.sequencer.events import StepResult
from benchrig.sequencer.operator import Fitting

if TYPE_CHECKING:
    from benchrig.workers.cluster import ClusterLost

__all__ = [
    "BatchBegan",
    "BatchPartJudged",
    "BatchStopped",
    "BenchOpened",
    "CalibrationBegan",
    "Checked",
    "Connected",
    "Event",
    "Listener",
    "NothingKept",
    "PageNotWritten",
    "ReferenceRead",
    "RehearsalBegan",
    "RehearsalProgress",
    "RunOpened",
    "RunPlanned",
    "RunsJudgedAgain",
    "Sampled",
    "StepBegan",
    "StepEnded",
    "StudyComplete",
    "StudyOpened",
    "StudyPartMeasured",
    "StudyStopped",
    "Uncalibrated",
    "WarmOffered",
    "Warned",
    "WorkProgress",
    "WorkersLost",
    "nobody_listens",
]


class BenchOpened(NamedTuple):
    """The bench is open and nothing is switched yet."""

    name: str
    simulated: bool


class Warned(NamedTuple):
    """Somebody should act on this; the work goes on."""

    text: str


class Uncalibrated(NamedTuple):
    """The run goes on without what its bench file asks for: every result is marked."""

    missing: tuple[str, ...]


class WarmOffered(NamedTuple):
    """The complaint speaks of heat. `asked`: whether somebody is there to say that the part be tested warm too."""

    asked: bool


class RunOpened(NamedTuple):
    """The run's record is open; from here on it has a number."""

    run: str


class RunPlanned(NamedTuple):
    """How many bench seconds the steps usually take; a control or a warm look comes on top."""

    seconds: float


class StepBegan(NamedTuple):
    """A step has begun, number `number` of about `of`."""

    name: str
    title: str
    number: int
    of: int
    expected_s: float


class WorkProgress(NamedTuple):
    """How far a step, a look or a calibration is, and the reading that a person would watch, ready to print."""

    what: str
    done_s: float
    expected_s: float
    reading: str


class Sampled(NamedTuple):
    """Samples of a curve, as they come: the vacuum below the room's pressure, or the coil's current.

    `set` numbers what was recorded in one go: the current of each click is a curve of its own. `from_s` is when a set
    began, in bench seconds since the run did; `after_s` are seconds since then.
    """

    curve: Literal["vacuum", "current"]
    unit: str
    set: int
    from_s: float
    after_s: tuple[float, ...]
    values: tuple[float, ...]


class StepEnded(NamedTuple):
    """A step has ended and is in the record."""

    step: StepResult


class Connected(NamedTuple):
    """The bench connected something by itself. `during`: while it was measuring."""

    fitting: Fitting
    during: bool = False


class ReferenceRead(NamedTuple):
    """The bench read a reference instrument by itself."""

    what: str
    value: float
    unit: str


class Checked(NamedTuple):
    """One item of the bench check is done."""

    item: CheckItem


class CalibrationBegan(NamedTuple):
    """References are in date, the bench is next."""

    kind: Kind
    title: str
    bench: str
    simulated: bool


class NothingKept(NamedTuple):
    """A calibration was stopped: the constants in use until now stand."""


class PageNotWritten(NamedTuple):
    """The record is safe, its page is not there. `name`: what `benchrig report` calls it; `folder` and why."""

    name: str
    folder: str
    why: str


class StudyOpened(NamedTuple):
    """A study begins, or goes on with `done` of `whole` measurements made."""

    name: str
    done: int
    whole: int
    simulated: bool


class StudyComplete(NamedTuple):
    """Nothing is left to measure in a study of that name."""

    name: str
    whole: int


class StudyPartMeasured(NamedTuple):
    """One measurement of a study is kept. Its values are not told: nobody is to measure towards them."""

    part: str
    operator: str
    trial: int
    number: int
    whole: int
    simulated: bool


class StudyStopped(NamedTuple):
    """A study was stopped; what was measured is kept."""

    done: int
    whole: int


class RehearsalBegan(NamedTuple):
    """The workers are up. Files are None where what comes with the program is used."""

    valves: int
    seed: int
    workers: int
    mix_file: Path | None
    bench_file: Path | None


class RehearsalProgress(NamedTuple):
    """So many valves are through, so many of them without a verdict, after so many seconds."""

    done: int
    of: int
    without_verdict: int
    wall_s: float


class WorkersLost(NamedTuple):
    """The cluster named can do no more, and why; `left` valves or runs are done by this computer."""

    said: str
    hint: str
    left: int

    @classmethod
    def of(cls, lost: ClusterLost) -> WorkersLost:
        """The event for a cluster that can do no more."""
        return cls(str(lost), lost.hint, len(lost.left))


class RunsJudgedAgain(NamedTuple):
    """So many stored runs have been judged again."""

    done: int
    of: int


class BatchBegan(NamedTuple):
    """A batch begins. `tested`: those of the list that have a finished run since then, and are left out."""

    name: str
    since: datetime
    listed: tuple[str, ...]
    tested: tuple[str, ...]


class BatchPartJudged(NamedTuple):
    """A part of a batch has its verdict, and its record is kept."""

    part: PartJudged
    tally: BatchTally


class BatchStopped(NamedTuple):
    """A batch was stopped before its end; what came to a verdict is kept."""

    tally: BatchTally


Event = (
    BenchOpened
    | Warned
    | Uncalibrated
    | WarmOffered
    | RunOpened
    | RunPlanned
    | Sampled
    | StepBegan
    | WorkProgress
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
    | RunsJudgedAgain
    | WorkersLost
    | BatchBegan
    | BatchPartJudged
    | BatchStopped
)
Listener = Callable[[Event], None]


def nobody_listens(_: Event) -> None:
    """For whoever wants the result alone."""
