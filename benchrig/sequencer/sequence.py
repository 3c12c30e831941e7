"""The sequence: every step with its name, what has to go before it, and what it records. The one table of steps.

To add one: its module in `benchrig.sequencer.steps`, a line here, and, where it records a trace, its picture in
`benchrig.reports.plots`. Run, studies, the check of the board's memory and the command line take it from here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from benchrig.bench.bench import Waiting
from benchrig.bench.file import SHORTEST_FLOW_S, SHORTEST_HOLD_S, BenchFile
from benchrig.sequencer import expected_seconds
from benchrig.sequencer.context import Context
from benchrig.sequencer.expected_seconds import Seconds
from benchrig.sequencer.steps import clicks as clicks_step
from benchrig.sequencer.steps import flow as flow_step
from benchrig.sequencer.steps import hold as hold_step
from benchrig.sequencer.steps.clicks import clicks
from benchrig.sequencer.steps.coil import coil
from benchrig.sequencer.steps.flow import flow
from benchrig.sequencer.steps.hold import hold
from benchrig.sequencer.steps.ready import ready
from benchrig.sequencer.steps.step_output import StepOutput
from benchrig.sequencer.steps.warm import warm

__all__ = ["MEASURING_STEPS", "STEPS", "WARM_STEP", "CaptureMemory", "Part", "Step", "occupied", "with_needed"]


@dataclass(frozen=True)
class CaptureMemory:
    """What a step records on the board.

    Attributes
    ----------
    least_words : int
        Of the board's memory, with the shortest setting that the bench file allows.
    setting : str
        Key in ``[sequence]`` of the bench file that makes it longer, in seconds; empty: always the same.
    words : callable
        From that setting to words of the board's memory.
    """

    least_words: int
    setting: str = ""
    words: Callable[[float], int] = lambda _: 0


Part = Literal["plug", "manifold", "memory"]
EVERYTHING: frozenset[Part] = frozenset({"plug", "manifold", "memory"})


@dataclass(frozen=True)
class Step:
    """One entry of the sequence.

    Attributes
    ----------
    name, title : str
        For programs, and for people.
    needs : tuple of str
        Steps that have to go before it.
    occupies : frozenset of {"plug", "manifold", "memory"}
        What no other step may use meanwhile: the plug on the coil, the manifold with its vacuum, the board's memory.
        Of a valve that its coil must hold closed, the manifold takes the plug with it.
    beside : tuple of str
        Steps that need not have ended when this one begins, where the two occupy nothing in common.
    takes : callable
        From the bench file to how long it takes, typically.
    measures : bool
        Whether a study of the bench can ask for it.
    records : CaptureMemory or None
        What it records on the board.
    """

    name: str
    title: str
    run: Callable[[Context], StepOutput | Waiting[StepOutput]]
    needs: tuple[str, ...] = ()
    occupies: frozenset[Part] = EVERYTHING
    beside: tuple[str, ...] = ()
    takes: Callable[[BenchFile], Seconds] = lambda _: Seconds(0.0, 0.0, 0.0)
    measures: bool = False
    records: CaptureMemory | None = None


STEPS: tuple[Step, ...] = (
    Step("ready", "Bench ready", ready, takes=expected_seconds.ready),
    Step(
        "coil",
        "Coil resistance",
        coil,
        needs=("ready",),
        occupies=frozenset({"plug"}),
        takes=expected_seconds.coil,
        measures=True,
    ),
    Step(
        "hold",
        "Hold vacuum",
        hold,
        needs=("coil",),  # it is looked at before it is energised
        occupies=frozenset({"manifold", "memory"}),
        beside=("coil",),
        takes=expected_seconds.hold,
        measures=True,
        records=CaptureMemory(
            max(hold_step.capture_words(SHORTEST_HOLD_S), hold_step.QUICK_WORDS), "hold_s", hold_step.capture_words
        ),
    ),
    Step(
        "flow",
        "Open flow",
        flow,
        needs=("hold",),  # it begins from a held vacuum
        takes=expected_seconds.flow,
        measures=True,
        records=CaptureMemory(flow_step.capture_words(SHORTEST_FLOW_S), "flow_s", flow_step.capture_words),
    ),
    Step(
        "clicks",
        "Clicks",
        clicks,
        needs=("coil",),
        takes=expected_seconds.clicks,
        measures=True,
        records=CaptureMemory(clicks_step.WORDS),
    ),
)
WARM_STEP = Step("warm", "Warm", warm, needs=("clicks",))
"""Only when asked for: it takes minutes."""
MEASURING_STEPS = tuple(step.name for step in STEPS if step.measures)


def occupied(step: Step, normally: str) -> frozenset[Part]:
    """What a step occupies on a valve that is `normally` open or closed."""
    held: frozenset[Part] = frozenset({"plug"} if normally == "open" and "manifold" in step.occupies else ())
    return step.occupies | held


def with_needed(names: Iterable[str]) -> tuple[Step, ...]:
    """The steps of these names and all that have to go before them, in order.

    Examples
    --------
    >>> [step.name for step in with_needed(["flow"])]
    ['ready', 'coil', 'hold', 'flow']
    """
    wanted = set(names)
    for step in reversed(STEPS):
        if step.name in wanted:
            wanted.update(step.needs)
    return tuple(step for step in STEPS if step.name in wanted)
