"""Many valves, one after the other: scan, fit, run. What is asked and told is somebody else's."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from enum import Enum
from typing import Protocol

from benchrig import stop_requests
from benchrig.application.batch_parts import BatchPart
from benchrig.application.batch_tally import BatchTally, PartJudged, judged
from benchrig.application.events import BatchBegan, BatchPartJudged, BatchStopped, Listener, Warned, nobody_listens
from benchrig.application.qualification import QualificationRequest, check_tag, qualify_valve
from benchrig.application.questions import Questions
from benchrig.bench.bench import never
from benchrig.bench.opening import OpenedBench
from benchrig.errors import BenchError, ConfigError
from benchrig.records import RunSummary, Store
from benchrig.records.run_list import RunsWanted
from benchrig.reports.formatting import visible

__all__ = ["BatchPlan", "BatchQuestions", "Fitted", "batch_name", "run_batch", "seed_of_tag"]

_LOOKED_AT = 20
"""So many of a tag's newest runs are looked at for one that came to its end."""


LONGEST_NAME = 60


def batch_name(typed: str) -> str:
    """Accept a batch's name: printable, at most `LONGEST_NAME` characters.

    Raises
    ------
    ConfigError
        It is not.
    """
    name = typed.strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise ConfigError(
            f"{visible(name)!r} cannot be the name of a batch: 1 to {LONGEST_NAME} printable characters.",
            hint="Give another one by --batch-name, an order's number perhaps.",
        )
    return name


class Fitted(Enum):
    """What the operator said when asked to fit a part."""

    BEGIN = "begin"
    BACK = "back"
    END = "end"


class BatchQuestions(Protocol):
    """Who scans and fits the parts of a batch."""

    @property
    def during_run(self) -> Questions:
        """Who is asked while a valve is tested."""

    def tag(self, tally: BatchTally, suggested: BatchPart | None) -> str | None:
        """The next part's tag; None ends the batch. `suggested`: the list's next, for whoever does not scan."""

    def again(self, part: BatchPart, earlier: RunSummary) -> bool:
        """Whether a part that has its verdict already is to be tested again; otherwise it is skipped."""

    def fitted(self, part: BatchPart) -> Fitted | str:
        """Have the part fitted and made ready. A text: another tag was scanned instead."""


@dataclass(frozen=True)
class BatchPlan:
    """What a batch is of, and how each part is tested.

    Attributes
    ----------
    name : str
        Stands in the record of each part: the store finds the batch by it.
    part : callable
        A tag that is not on the list -> the part; raises `ConfigError` where only listed parts are tested.
    request, bench : callable
        For one part: how it is tested, and the bench for it, open and not yet connected.
    since : datetime
        A part with a finished run since then has been tested in this batch.
    simulated : bool
        Only runs on a simulated bench count as such, or only those on a real one.
    parts : tuple of BatchPart
        The list; empty: whatever is scanned.
    """

    name: str
    part: Callable[[str], BatchPart]
    request: Callable[[BatchPart], QualificationRequest]
    bench: Callable[[BatchPart], OpenedBench]
    since: datetime
    simulated: bool
    parts: tuple[BatchPart, ...] = ()


def run_batch(
    store: Store,
    plan: BatchPlan,
    questions: BatchQuestions,
    *,
    tell: Listener = nobody_listens,
    stop_wanted: Callable[[], bool] = never,
) -> BatchTally:
    """Test part after part until the list is through or the operator ends it. The bench is opened for each part.

    Raises
    ------
    BenchError
        The bench cannot go on: the outputs are off, the parts before have their records, `BatchStopped` was told.
    KeyboardInterrupt
        The batch was stopped; the same holds.
    """
    batch = _Batch(store, plan, questions, tell)
    try:
        batch.begin()
        while (part := batch.next_part()) is not None:
            done = qualify_valve(
                store,
                plan.bench(part),
                _of_batch(plan.request(part), plan.name),
                questions=questions.during_run,
                tell=tell,
                stop_wanted=stop_wanted,
            )
            batch.keep(judged(done.record))
    except (BenchError, KeyboardInterrupt):
        with stop_requests.ending():
            tell(BatchStopped(batch.tally))
        raise
    return batch.tally


def _of_batch(request: QualificationRequest, name: str) -> QualificationRequest:
    return replace(request, intake=replace(request.intake, batch=name))


def seed_of_tag(tag: str, seed: int) -> int:
    """The seed of a simulated part: another part for each tag, the same one whenever that tag is scanned."""
    return zlib.crc32(f"{seed} {tag}".encode())


class _Batch:
    """Where a batch stands."""

    def __init__(self, store: Store, plan: BatchPlan, questions: BatchQuestions, tell: Listener) -> None:
        self._store = store
        self._plan = plan
        self._questions = questions
        self._tell = tell
        self._listed = {part.tag: part for part in plan.parts}
        self._left = dict(self._listed)
        self._done: list[PartJudged] = []

    @property
    def tally(self) -> BatchTally:
        return BatchTally(tuple(self._done), tuple(self._left))

    def begin(self) -> None:
        """Leave out what the store has; tell what is to do."""
        tested = [tag for tag in self._listed if self._earlier(tag) is not None]
        for tag in tested:
            del self._left[tag]
        self._tell(BatchBegan(self._plan.name, self._plan.since, tuple(self._listed), tuple(tested)))

    def keep(self, done: PartJudged) -> None:
        """Count a part that has its verdict."""
        self._done.append(done)
        self._left.pop(done.tag, None)
        self._tell(BatchPartJudged(done, self.tally))

    def next_part(self) -> BatchPart | None:
        """The next part, fitted; None at the end."""
        scanned: str | None = None
        while True:
            if scanned is None:
                if self._listed and not self._left:
                    return None
                scanned = self._questions.tag(self.tally, next(iter(self._left.values()), None))
            if scanned is None:
                return None
            part, scanned = self._part(scanned), None
            if part is None:
                continue
            earlier = self._earlier(part.tag)
            if earlier is not None and not self._questions.again(part, earlier):
                continue
            answer = self._questions.fitted(part)
            if answer is Fitted.BEGIN:
                return part
            if answer is Fitted.END:
                return None
            scanned = answer if isinstance(answer, str) else None

    def _part(self, scanned: str) -> BatchPart | None:
        """The part that was scanned; None, and why is told, where it cannot be one."""
        try:
            tag = check_tag(self._store.tag_of(scanned))
            return self._listed.get(tag) or self._plan.part(tag)
        except ConfigError as error:
            self._tell(Warned(f"{error} {error.hint}".strip()))
            return None

    def _earlier(self, tag: str) -> RunSummary | None:
        """The newest run of this part that came to its end since the batch began."""
        wanted = RunsWanted(tag=tag, since=self._plan.since, simulated=self._plan.simulated)
        runs = self._store.runs(_LOOKED_AT, wanted=wanted)
        return next((run for run in runs if run.ending == "finished"), None)
