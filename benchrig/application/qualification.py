"""Take one valve from intake to record, page and label."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from benchrig import __version__, stop_requests
from benchrig.application.bench_choice import key_of
from benchrig.application.events import (
    BenchOpened,
    Listener,
    PageNotWritten,
    RunOpened,
    RunPlanned,
    StepBegan,
    StepEnded,
    Uncalibrated,
    WarmOffered,
    Warned,
    WorkProgress,
    nobody_listens,
)
from benchrig.application.live_curves import LiveCurves
from benchrig.application.model_match import not_on_the_ticket
from benchrig.application.model_on_bench import check_model_on_bench
from benchrig.application.operators import control_operator
from benchrig.application.paths import pages_folder
from benchrig.application.questions import Nobody, Questions
from benchrig.application.recent_evidence import line_proven_by, recovery_of_the_day
from benchrig.application.valid_calibrations import use_valid_calibrations
from benchrig.bench.bench import Bench, never
from benchrig.bench.opening import OpenedBench
from benchrig.bench.traceability import require_traceability
from benchrig.catalogue import ValveModel
from benchrig.clock import utc_now
from benchrig.errors import BenchError, ConfigError, aborted
from benchrig.records import RunRecord, Store
from benchrig.sequencer.events import Intake, RunStarted, Sink, StepResult
from benchrig.sequencer.overlap import planned
from benchrig.sequencer.run import qualify
from benchrig.sequencer.sequence import STEPS
from benchrig.verdict.warm import USUAL_C, speaks_of_heat

__all__ = ["Qualification", "QualificationRequest", "check_tag", "qualify_valve"]

TAG_LONGEST = 300
FULL_FOR = ("return", "check-valve")
"""Reasons for which everything is measured to the end: a customer's claim, and the part that is measured daily."""


@dataclass(frozen=True)
class QualificationRequest:
    """One valve, and how it is to be tested.

    Attributes
    ----------
    seed : int or None
        Of the simulated bench and valve; None on a real bench.
    allow_uncalibrated : bool
        Go on without what the bench file asks for; every result is marked.
    no_control : bool
        Let a reject that rests on a leak or on a blocked flow stand without a look at the bench.
    barometer_kpa : float or None
        Station pressure now, in place of the bench file's.
    known_ready : bool
        Do not ask whether the part is aired out and connected.
    warm_c : float or None
        Heat the coil to this temperature at the end and look again.
    full : bool or None
        Measure everything for as long as the bench file says; otherwise each measurement ends as soon as it has told
        enough. None: by the reason, full where the record is to be shown or compared (`FULL_FOR`).
    until_certain : bool
        Leave the rest out once something is certainly beyond its limit.
    """

    model: ValveModel
    intake: Intake
    seed: int | None = None
    allow_uncalibrated: bool = False
    no_control: bool = False
    barometer_kpa: float | None = None
    known_ready: bool = False
    warm_c: float | None = None
    full: bool | None = None
    until_certain: bool = False


@dataclass(frozen=True)
class Qualification:
    """What came of it. `page` and `label` are None where they could not be written; the record is safe all the same."""

    record: RunRecord
    before: RunRecord | None
    """The last finished run of the same part."""
    page: Path | None
    label: Path | None


def check_tag(tag: str) -> str:
    """Accept any tag that can be printed; it is data, never a path or markup.

    Raises
    ------
    ConfigError
        Empty, over `TAG_LONGEST` characters, or with control characters in it.
    """
    tag = tag.strip()
    if not tag:
        raise ConfigError("The tag is empty.", hint="Give the shop's own number on the part after --tag.")
    if len(tag) > TAG_LONGEST:
        raise ConfigError(
            f"The tag has {len(tag)} characters; at most {TAG_LONGEST} are allowed.",
            hint="Put the rest into --findings.",
        )
    odd = next((c for c in tag if not c.isprintable()), None)
    if odd is not None:
        raise ConfigError(
            f"The tag holds the unprintable character U+{ord(odd):04X}.",
            hint="Type the tag again, or scan the label again.",
        )
    return tag


def qualify_valve(
    store: Store,
    opened: OpenedBench,
    request: QualificationRequest,
    *,
    questions: Questions | None = None,
    tell: Listener = nobody_listens,
    stop_wanted: Callable[[], bool] = never,
) -> Qualification:
    """Take one valve through the sequence, keep its record, write page and label. Closes the bench at the end.

    Parameters
    ----------
    store : Store
        Where the record goes.
    opened : OpenedBench
        Open, not yet connected (`benchrig.application.bench_choice.open_bench`).
    request : QualificationRequest
        The valve.
    questions : Questions or None
        Who is asked; None: nobody.
    tell : callable
        Called with each event of `benchrig.application.events`.
    stop_wanted : callable
        Asked at every look at the board; once it says yes, the run ends as by Ctrl-C. From any thread, for instance
        ``threading.Event().is_set``.

    Raises
    ------
    BenchError
        Something is wrong with the bench or with what was asked for. The outputs are off;
        `errors.aborted` of the error says what is kept and how the bench was left.
    KeyboardInterrupt
        The run was stopped; the same is known of it.
    """
    asked = questions if questions is not None else Nobody()
    model, intake = request.model, request.intake
    with opened as bench:
        bench.stop_wanted = stop_wanted
        simulated = bench.file.bench.simulated
        check_model_on_bench(model, bench)
        found = use_valid_calibrations(bench, store, key_of(bench, request.seed), tell, with_check=True)
        proven_by = _look_at_the_day(store, bench, request.seed)
        require_traceability(found, allow_uncalibrated=request.allow_uncalibrated)
        if request.barometer_kpa is not None:
            bench.enter_barometer(request.barometer_kpa)
        tell(BenchOpened(bench.file.bench.name, simulated))
        if bench.traceability.missing:
            tell(Uncalibrated(tuple(str(each) for each in bench.traceability.missing)))
        if not simulated and not request.known_ready:
            asked.ready()
        warm_c = request.warm_c
        if warm_c is None and intake.reason == "return" and speaks_of_heat(intake.complaint):
            tell(WarmOffered(asked.answered))
            warm_c = USUAL_C if asked.answered and asked.test_warm(USUAL_C) else None
        curves = LiveCurves(bench, tell)
        plan = planned(STEPS, bench.file, model.normally, "full" if _to_the_end(request) else "usual")
        tell(RunPlanned(plan[-1].ends_s))
        try:
            finished = qualify(
                bench,
                model,
                intake,
                sink=_Telling(store.recorder(bench.feed), tell),
                watcher=_Watching(curves, tell, len(STEPS) + (warm_c is not None)),
                seed=request.seed,
                program=f"benchrig {__version__}",
                operator=None if request.no_control else control_operator(opened, asked, tell),
                control_waived=request.no_control,
                warm_c=warm_c,
                full=_to_the_end(request),
                until_certain=request.until_certain,
                line_proven_by=proven_by,
            )
        except (BenchError, KeyboardInterrupt) as error:
            with stop_requests.ending(), suppress(BenchError, OSError):
                left = aborted(error)
                if left.run:
                    page = _on_paper(store, left.run, nobody_listens).page
                    left.page = "" if page is None else str(page)
            raise
    done = _on_paper(store, finished.number, tell)
    with suppress(BenchError):  # a hint, that a damaged record somewhere must not take the verdict for
        other = not_on_the_ticket(store, done.record)
        if other:
            tell(Warned(other))
    return done


def _to_the_end(request: QualificationRequest) -> bool:
    return request.intake.reason in FULL_FOR if request.full is None else request.full


def _look_at_the_day(store: Store, bench: Bench, seed: int | None) -> str:
    """Let the bench know how its gas warms up today; return what proved the line tight and free, if anything did."""
    evidence, now, key = bench.file.evidence, utc_now(), key_of(bench, seed)
    hours = max(evidence.line_h, evidence.recovery_h)
    if not hours:
        return ""
    runs = store.recent_runs(key, now - timedelta(hours=hours))
    bench.recovery = recovery_of_the_day(runs, now, evidence.recovery_h)
    if not evidence.line_h:
        return ""
    check, _ = store.calibration_store.last_check_and_calibrations(key)
    return line_proven_by(runs, check, now, evidence.line_h)


def _on_paper(store: Store, run: str, tell: Listener) -> Qualification:
    """Read a run back from the store, and write its page and label."""
    from benchrig.reports.label import label_html
    from benchrig.reports.page import page_html
    from benchrig.reports.page_files import write_label, write_page

    record = store.run(f"run:{run}")
    before, folder = store.before(record), pages_folder()
    try:
        page = write_page(record, folder, store.signed(record, page_html(record, before)))
        label = write_label(record, folder, store.signed(record, label_html(record)))
    except OSError as error:
        tell(PageNotWritten(record.run, str(folder), error.strerror or str(error)))
        return Qualification(record, before, None, None)
    return Qualification(record, before, page, label)


class _Telling:
    """A `Sink` that tells the run's number once its record is open."""

    def __init__(self, sink: Sink, tell: Listener) -> None:
        self._tell = tell
        self._sink = sink
        self.step_finished = sink.step_finished
        self.run_ended = sink.run_ended

    def run_started(self, run: RunStarted) -> str:
        """Open the record and tell its number."""
        number = self._sink.run_started(run)
        self._tell(RunOpened(number))
        return number


class _Watching:
    """A `Watcher` that makes events of what it sees."""

    def __init__(self, curves: LiveCurves, tell: Listener, steps: int) -> None:
        self._curves = curves
        self._tell = tell
        self._of = steps
        self._number = 0

    def step_began(self, name: str, title: str, expected_s: float) -> None:
        """Tell it, with its number."""
        self._curves.step_began(name)
        self._number += 1
        self._of = max(self._of, self._number)
        self._tell(StepBegan(name, title, self._number, self._of, expected_s))

    def progress(self, name: str, done_s: float, expected_s: float, reading: str) -> None:
        """Tell it."""
        self._tell(WorkProgress(name, done_s, expected_s, reading))

    def step_ended(self, step: StepResult) -> None:
        """Tell it."""
        self._curves.step_ended(step)
        self._tell(StepEnded(step))
