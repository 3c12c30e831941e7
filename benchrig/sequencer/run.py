"""One run: the steps in order, each result written as its step ends, the outputs off at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import takewhile

from benchrig import stop_requests
from benchrig.bench.bench import Bench
from benchrig.bench.calibrations import constant_in
from benchrig.bench.clock_steps import ClockLook, look_at_clock, stepped
from benchrig.bench.constants import CONSTANTS
from benchrig.bench.safe_shutdown import end_safe, safe_on_error
from benchrig.catalogue.valve_model import ValveModel
from benchrig.clock import since_boot, utc_now
from benchrig.errors import BenchError, aborted
from benchrig.sequencer.captures import check_captures
from benchrig.sequencer.context import Context, Quiet
from benchrig.sequencer.events import (
    BenchFacts,
    Intake,
    RunEnded,
    RunStarted,
    Sink,
    StepResult,
    Watcher,
    model_facts,
)
from benchrig.sequencer.operator import Operator
from benchrig.sequencer.overlap import take_steps
from benchrig.sequencer.sequence import STEPS, WARM_STEP, Step
from benchrig.sequencer.steps.control import (
    LEAK,
    PROVEN_BY_LINE,
    SLOW_RISE,
    control,
    controlled_by,
    doubted,
    not_controlled,
    without_control,
)
from benchrig.sequencer.steps.early_end import beyond_limits
from benchrig.sequencer.steps.step_output import StepOutput
from benchrig.verdict.cause import Evidence
from benchrig.verdict.decide import decide
from benchrig.verdict.judgement import Judgement, Limit
from benchrig.verdict.warm import WARM, speaks_of_heat

__all__ = ["Finished", "bench_facts", "judge_found", "qualify"]


@dataclass(frozen=True)
class Finished:
    """A run that came to its end."""

    number: str
    judgement: Judgement
    steps: tuple[StepResult, ...]
    bench_seconds: float
    bench_state: str


def qualify(
    bench: Bench,
    model: ValveModel,
    intake: Intake,
    *,
    sink: Sink,
    watcher: Watcher | None = None,
    seed: int | None = None,
    program: str = "",
    operator: Operator | None = None,
    control_waived: bool = False,
    warm_c: float | None = None,
    full: bool = True,
    until_certain: bool = False,
    line_proven_by: str = "",
) -> Finished:
    """Take one valve through the sequence.

    Parameters
    ----------
    bench : Bench
        Open, not yet connected.
    model, intake : ValveModel, Intake
        What the valve should be, and who brought it.
    sink : Sink
        Where each step goes as it ends.
    operator : Operator or None
        Who takes the valve off and closes the port, or puts the reference resistor on, when a reject rests on what
        hose, port or meter could cause too (`benchrig.sequencer.steps.control`). None: nobody; such a reject is left
        undecided.
    control_waived : bool
        With nobody there, let such a reject stand: somebody said so. The record says that nobody looked.
    warm_c : float or None
        Heat the coil to this temperature at the end and look again; None: no warm step.
    full : bool
        Measure everything for as long as the bench file says; else end each measurement as soon as it has told enough.
    until_certain : bool
        Leave out the steps that are left once a step has found something that is certainly beyond its limit.
    line_proven_by : str
        What proved a short while ago that the line is tight and free, so that a reject that rests on hose or port needs
        no look without the valve; empty: nothing did.

    Raises
    ------
    BenchError
        Something is wrong with the bench, or the operator stopped the run (`KeyboardInterrupt` passes through). The
        outputs are off, the record is closed as aborted, and `errors.aborted` of the error says how the bench was left.
    """
    run = Context(bench, model, watcher if watcher is not None else Quiet())
    run.warm_c, run.full = warm_c, full
    recording, number = False, ""
    run.began_s = bench.clock.now()
    try:
        with safe_on_error(bench):
            bench.connect()
            check_captures(bench)
            with stop_requests.ending():
                facts = bench_facts(bench)
                clock_before = ClockLook(utc_now(), facts.since_boot)
                number = sink.run_started(RunStarted(clock_before.at, intake, model_facts(model), facts, seed, program))
                recording = True
            run.began_s = bench.clock.now()
            bench.arm(model.coil_limit_s)
            wanted: Iterable[Step] = (*STEPS, *([WARM_STEP] if warm_c is not None else []))
            if until_certain:
                wanted = takewhile(lambda _: not beyond_limits(run, run.found), wanted)
            steps = _take(wanted, run, sink)
            judgement = judge_found(run, intake)
            doubts = doubted(judgement, coil_not_energised=run.coil == "short")
            if operator is not None and not doubts and run.slow_rise is not None:
                doubts = frozenset({SLOW_RISE})
            proven = doubts & PROVEN_BY_LINE if line_proven_by else frozenset()
            doubts -= proven
            if proven and not doubts:
                steps += _take([Step("control", "Control", lambda _: controlled_by(line_proven_by))], run, sink)
            if doubts:
                steps += _take([Step("control", "Control", _controlling(doubts, operator))], run, sink)
                if operator is None and not control_waived:
                    judgement = without_control(judgement, doubts)
            if SLOW_RISE in doubts or run.leak_controlled or run.leak_hidden:
                judgement = judge_found(run, intake)
                left = doubted(judgement) - ({LEAK} if run.leak_controlled else set())
                judgement = without_control(judgement, left, run.leak_hidden) if left else judgement
                if run.not_vapour and judgement.verdict == "undecided" and run.not_vapour not in judgement.why:
                    judgement = replace(judgement, why=f"{judgement.why} {run.not_vapour}")
            judgement = _with_clock(judgement, clock_before)
            bench_state = end_safe(bench)
            seconds = bench.clock.now() - run.began_s
            with stop_requests.ending():
                recording = False  # the next call closes the record, or fails: it is not to be closed twice
                sink.run_ended(RunEnded(utc_now(), "finished", seconds, judgement, bench_state=bench_state))
    except BaseException as error:
        if recording:
            with stop_requests.ending():
                _close_aborted(sink, error, bench.clock.now() - run.began_s)
                aborted(error).run = number
        raise
    return Finished(number, judgement, steps, seconds, bench_state)


def bench_facts(bench: Bench) -> BenchFacts:
    """The bench as it stands, for the record."""
    file = bench.file
    known = {each.title: constant_in(file, each) for each in CONSTANTS}
    constants = {title: (each.value, each.u, each.unit) for title, each in known.items() if each.value or each.u}
    return BenchFacts(
        name=file.bench.name,
        workshop=file.bench.workshop,
        address=file.bench.address,
        simulated=file.bench.simulated,
        board=bench.board_name,
        meter=bench.meter_name,
        bench_file_sha256=bench.loaded.sha256,
        constants=constants,
        grounds=bench.traceability.items,
        uncalibrated=tuple(str(each) for each in bench.traceability.missing),
        remarks=bench.traceability.remarks,
        since_boot=since_boot(),
    )


def _with_clock(judgement: Judgement, before: ClockLook) -> Judgement:
    """The judgement, with a word on the dates of the record where somebody set the clock meanwhile."""
    clock_was = stepped(before, look_at_clock())
    if not clock_was:
        return judgement
    return replace(judgement, why=f"{judgement.why} The computer's clock {clock_was} during the run: set it right.")


def _take(steps: Iterable[Step], run: Context, sink: Sink) -> tuple[StepResult, ...]:
    missing = run.bench.traceability.missing
    return take_steps(steps, run, mark=_marked if missing else lambda found: found, keep=sink.step_finished)


def _controlling(doubts: frozenset[str], operator: Operator | None) -> Callable[[Context], StepOutput]:
    """The control step for what is doubted; without a operator nobody is there to take the valve off."""

    def look(run: Context) -> StepOutput:
        return not_controlled(doubts) if operator is None else control(run, operator, doubts)

    return look


def _marked(found: StepOutput) -> StepOutput:
    """Every result of a run that rests on too little says so itself, wherever it is shown."""
    marked = tuple(replace(each, how=f"UNCALIBRATED; {each.how}".rstrip("; ")) for each in found.characteristics)
    return replace(found, characteristics=marked)


def _warm_limits(run: Context) -> list[Limit]:
    """The limits of what was measured warm: the cold ones, where the model file says nothing of its own."""
    if run.warm_c is None:
        return []
    own = {limit.name for limit in run.model.limits}
    return [
        replace(limit, name=WARM[limit.name], limit_from=f"{limit.limit_from}; taken to hold warm too")
        for limit in run.model.limits
        if limit.name in WARM and WARM[limit.name] not in own
    ]


def judge_found(run: Context, intake: Intake) -> Judgement:
    """The judgement by all that the run has found so far."""
    evidence = Evidence(
        clicks=run.clicks,
        moved_fraction=run.moved / run.clicks if run.clicks else None,
        still_fraction=run.still / run.clicks if run.clicks else None,
        reached_vacuum_kpa=None if run.reached_vacuum_pa is None else run.reached_vacuum_pa / 1000,
        opened=run.opened,
        load_ratio=run.load_ratio,
        load_ratio_u=run.load_ratio_u,
        vapour=run.vapour,
        tested_at_c=run.ambient_k - 273.15,
        warmed_to_c=run.warmed_c,
        heat_complained_of=speaks_of_heat(intake.complaint),
        intermittent=run.coil == "intermittent",
    )
    return decide(
        tuple(run.found),
        (*run.model.limits, *_warm_limits(run)),
        guard_band=run.model.guard_band,
        normally=run.model.normally,
        evidence=evidence,
        reason=intake.reason,
        by_general_practice=run.model.general_practice,
    )


def _close_aborted(sink: Sink, error: BaseException, seconds: float) -> None:
    bench_state = aborted(error).bench_state
    if isinstance(error, KeyboardInterrupt):
        said, hint = "stopped by the operator", "Start the run again when you are ready."
    elif isinstance(error, BenchError):
        said, hint = str(error), error.hint
    else:
        said, hint = f"a fault in the program: {type(error).__name__}: {error}", "Please report it with its traceback."
    # The record may be what failed (disk full): what it holds is safe, and the first error is the one to tell.
    with suppress(BenchError, OSError):
        sink.run_ended(RunEnded(utc_now(), "aborted", seconds, error=said, hint=hint, bench_state=bench_state))
