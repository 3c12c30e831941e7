"""Steps in their order, each begun as early as what it occupies allows.

The table of steps (`benchrig.sequencer.sequence`) says what each occupies: the coil's plug, the manifold, the board's
memory. A step that only waits (the multimeter integrates for a second and more) goes on while the next one begins, if
the table allows it and the two have nothing in common. Nothing here knows which steps there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from benchrig.bench.bench import Waiting
from benchrig.bench.file import BenchFile
from benchrig.sequencer.context import Context
from benchrig.sequencer.events import StepResult
from benchrig.sequencer.sequence import Step, occupied
from benchrig.sequencer.steps.step_output import StepOutput

__all__ = ["Planned", "may_overlap", "planned", "take_steps"]

Pace = Literal["usual", "full", "floor"]


def may_overlap(earlier: Step, later: Step, normally: str) -> bool:
    """Whether `later` may begin while `earlier` goes on, on a valve that is `normally` open or closed.

    Examples
    --------
    The meter reads the coil while the pump draws down, unless the coil must hold the valve closed meanwhile:

    >>> from benchrig.sequencer.sequence import STEPS
    >>> coil, hold = STEPS[1], STEPS[2]
    >>> may_overlap(coil, hold, "closed"), may_overlap(coil, hold, "open")
    (True, False)
    """
    return earlier.name in later.beside and not occupied(earlier, normally) & occupied(later, normally)


@dataclass(frozen=True)
class Planned:
    """When a step of a run begins and ends, s from the run's begin."""

    step: Step
    begins_s: float
    ends_s: float


def planned(steps: Iterable[Step], file: BenchFile, normally: str, pace: Pace) -> tuple[Planned, ...]:
    """The run as `take_steps` will take it, at a pace of `Seconds`, on this bench."""
    plan: list[Planned] = []
    for step in steps:
        waits = [each.ends_s for each in plan if not may_overlap(each.step, step, normally)]
        begins_s = max([0.0 if not plan else plan[-1].begins_s, *waits])
        plan.append(Planned(step, begins_s, begins_s + getattr(step.takes(file), pace)))
    return tuple(plan)


def take_steps(
    steps: Iterable[Step],
    run: Context,
    *,
    mark: Callable[[StepOutput], StepOutput] = lambda found: found,
    keep: Callable[[StepResult], None] = lambda _: None,
) -> tuple[StepResult, ...]:
    """Take a valve through some steps.

    Parameters
    ----------
    steps : iterable of Step
        Asked for the next one only when it can begin.
    run : Context
        What each finds is added to its `found`.
    mark : callable
        Says what else is to be known of what a step found.
    keep : callable
        Given each result before it is shown.

    Returns
    -------
    tuple of StepResult
        In the order in which the steps ended.
    """
    bench = run.bench
    going: set[Step] = set()
    results: list[StepResult] = []

    def take(step: Step) -> Waiting[None]:
        run.watcher.step_began(step.name, step.title, 0.0)
        began_s = bench.clock.now()
        found = step.run(run)
        if isinstance(found, Iterator):
            found = yield from found
        going.discard(step)
        found = mark(found)
        bench.feed()  # the analysis took its time, and so may the store
        run.found.extend(found.characteristics)
        ended_s = bench.clock.now() - run.began_s
        result = StepResult(step.name, step.title, began_s - run.began_s, ended_s, **vars(found))
        results.append(result)
        keep(result)
        run.watcher.step_ended(result)

    for step in steps:
        if any(not may_overlap(each, step, run.model.normally) for each in going):
            bench.await_alongside()
        going.add(step)
        bench.alongside(take(step))
    bench.await_alongside()
    return tuple(results)
