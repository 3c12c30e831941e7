"""A run as read back from the store."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from benchrig.analysis.results import Characteristic, Trace
from benchrig.records.decisions import Decision
from benchrig.records.digests import end_digest, start_digest, step_digest
from benchrig.records.later import Later
from benchrig.records.seal_check import Seal
from benchrig.records.seals import STORE_FIGURES
from benchrig.sequencer.events import BenchFacts, Intake, ModelFacts, RunEnded, RunStarted, StepResult
from benchrig.verdict.judgement import Judgement, Verdict

__all__ = ["RunEnding", "RunRecord", "RunSummary", "TracesAway"]

RunEnding = Literal["running", "finished", "aborted"]
SummaryEnding = Literal["running", "finished", "aborted", "damaged"]


@dataclass(frozen=True)
class TracesAway:
    """Where the traces of a record are, when they are not in the store.

    Attributes
    ----------
    file : str
        Name of the archive file.
    steps : tuple of str
        The steps whose traces were moved there.
    missing, damaged : str
        Why they could not be read: the file is not here, which is no fault of the record; or it is not as it was
        written. Empty where they are in the record.
    """

    file: str
    steps: tuple[str, ...]
    missing: str = ""
    damaged: str = ""

    @property
    def why_not(self) -> str:
        """Why the record has no traces, as a sentence without its full stop; empty where it has."""
        if self.damaged:
            return f"its traces cannot be read: the archive file {self.file} is damaged, {self.damaged}"
        return f"its traces are in the archive file {self.file}, and {self.missing}" if self.missing else ""


@dataclass(frozen=True)
class RunRecord:
    """Everything that the store holds about one run.

    Attributes
    ----------
    run : str
        The run's number, at least four digits: ``"0042"``.
    started, ended : datetime
        In UTC; `ended` is None while the run is still going on.
    ending : {"running", "finished", "aborted"}
        An aborted run has no judgement; `error`, `hint` and `bench_state` say why and how the bench was left.
    steps : tuple of StepResult
        The finished steps in their order, traces included.
    digests : tuple of str
        The chain as written: start, one a step, and the end if there was one.
    decisions : tuple of Decision
        What people decided about the part afterwards, oldest first; not covered by the digests.
    later : tuple of Later
        What came after the run that whoever holds its page should know, decisions among it; empty where nobody looked.
    away : TracesAway or None
        The archive file that its traces were read from, or should have been.
    seal : Seal or None
        How the record stands with its seal; None where nobody looked.
    store : str
        The identity of the store that it was recorded in.
    recorded_as : str
        Its number there, where it was delivered from another store than the one that it is read from.
    """

    run: str
    intake: Intake
    model: ModelFacts
    bench: BenchFacts
    started: datetime
    ended: datetime | None
    ending: RunEnding
    steps: tuple[StepResult, ...]
    judgement: Judgement | None
    error: str
    hint: str
    bench_state: str
    bench_seconds: float | None
    seed: int | None
    program: str
    digests: tuple[str, ...]
    decisions: tuple[Decision, ...] = ()
    later: tuple[Later, ...] = field(default=(), compare=False)
    away: TracesAway | None = field(default=None, compare=False)
    seal: Seal | None = field(default=None, compare=False)
    store: str = field(default="", compare=False)
    recorded_as: str = field(default="", compare=False)

    @property
    def own_number(self) -> str:
        """The number that it was recorded under, which pages and labels show."""
        return self.recorded_as or self.run

    @property
    def own_name(self) -> str:
        """That number with the store's, so that no two runs anywhere go by one name: ``9f3c5a17-0042``."""
        return f"{self.store[:STORE_FIGURES]}-{self.own_number}" if self.store else self.own_number

    @property
    def tag(self) -> str:
        """The shop's own number on the part."""
        return self.intake.tag

    @property
    def verdict(self) -> Verdict | None:
        """Accept, reject or undecided; None for a run that did not come to its end."""
        return None if self.judgement is None else self.judgement.verdict

    @property
    def characteristics(self) -> tuple[Characteristic, ...]:
        """What the finished steps measured."""
        return tuple(each for step in self.steps for each in step.characteristics)

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader should know, from all steps."""
        return tuple(note for step in self.steps for note in step.notes)

    @property
    def digest(self) -> str:
        """The last link of the chain: it covers the whole record."""
        return self.digests[-1]

    def step(self, name: str) -> StepResult | None:
        """The finished step of that name, if it got so far."""
        return next((step for step in self.steps if step.name == name), None)

    def traces(self, step: str) -> tuple[Trace, ...]:
        """The traces of one step; none when it did not get so far."""
        found = self.step(step)
        return found.traces if found is not None else ()

    def digest_faults(self) -> tuple[str, ...]:
        """Compare the record with the chain of digests written beside it; name the parts that do not fit.

        Each part is checked against the digest *written* before it, so one changed part is one line here. Steps whose
        traces are in an archive file that could not be read are left out.
        """
        started = RunStarted(self.started, self.intake, self.model, self.bench, self.seed, self.program)
        parts = [("the start of the run", start_digest(self.own_number, started))]
        for before, step in zip(self.digests, self.steps, strict=False):
            parts.append((f"step {step.name}", step_digest(before, step)))
        if self.ended is not None and self.ending != "running":
            end = RunEnded(
                self.ended,
                self.ending,
                0.0 if self.bench_seconds is None else self.bench_seconds,
                self.judgement,
                self.error,
                self.hint,
                self.bench_state,
            )
            before = self.digests[-2] if len(self.digests) > 1 else ""
            parts.append(("the end of the run", end_digest(before, end)))
        unread = () if self.away is None or not self.away.why_not else self.away.steps
        faults = [
            f"{name} is not as it was written"
            for (name, now), kept in zip(parts, self.digests, strict=False)
            if now != kept and name.removeprefix("step ") not in unread
        ]
        if len(parts) != len(self.digests):
            faults.append(f"{len(self.digests)} digests for {len(parts)} parts: something was added or taken away")
        return tuple(faults)


@dataclass(frozen=True)
class RunSummary:
    """One line in a list of runs."""

    run: str
    tag: str
    model: str
    batch: str
    """Empty for a part tested by itself."""
    started: datetime | None
    """None when what stands in the store is no date."""
    ending: SummaryEnding
    verdict: Verdict | None
    cause: str | None
    cause_probability: float | None
    disposition: str | None
    bench_seconds: float | None
    simulated: bool
    error: str

    def document(self) -> dict[str, Any]:
        """As one entry of a JSON list."""
        return {
            "run": self.run,
            "tag": self.tag,
            "model": self.model,
            "batch": self.batch or None,
            "started": None if self.started is None else utc_text(self.started),
            "ending": self.ending,
            "verdict": self.verdict,
            "cause": self.cause,
            "cause_probability": self.cause_probability,
            "disposition": self.disposition,
            "bench_seconds": self.bench_seconds,
            "simulated": self.simulated,
            "error": self.error or None,
        }


def utc_text(at: datetime) -> str:
    """An instant in UTC to the second, for people and JSON: ``2026-11-25T09:30:00Z``."""
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")
