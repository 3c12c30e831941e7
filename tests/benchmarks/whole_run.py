"""One whole run on the simulated bench without store and page, over a link and a board of the caller's choice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from benchrig.application.paths import model_folders
from benchrig.bench.bench import Bench
from benchrig.bench.file import parse_bench_file
from benchrig.catalogue import Catalogue
from benchrig.drivers.links import ByteLink
from benchrig.drivers.multimeter import Multimeter
from benchrig.drivers.relay_board import RelayBoard
from benchrig.errors import BenchError
from benchrig.sequencer.events import Intake, RunEnded, RunStarted, StepResult
from benchrig.sequencer.run import qualify
from simulators.entry import OpenedSimulation, open_bench
from simulators.simulated_bench import IDENTITY

__all__ = ["Outcome", "Pins", "whole_run"]


class NoStore:
    """A sink that keeps nothing."""

    def run_started(self, started: RunStarted) -> str:
        return "0001"

    def step_finished(self, result: StepResult) -> None:
        pass

    def run_ended(self, ended: RunEnded) -> None:
        pass


@dataclass
class Pins:
    """What was seen at the output pins: instants and masks, writes that change nothing left out."""

    changes: list[tuple[float, int]] = field(default_factory=list)

    def watch(self, world: Any) -> None:
        through = world.set_outputs

        def set_outputs(mask: int) -> None:
            if mask != (self.changes[-1][1] if self.changes else 0):
                self.changes.append((world.t_s, mask))
            through(mask)

        world.set_outputs = set_outputs

    @property
    def masks(self) -> list[int]:
        return [mask for _, mask in self.changes]


@dataclass(frozen=True)
class Outcome:
    """How a run ended: `status` as the program's exit status, `verdict` and `cause` empty if there is none.

    `measured` has value and standard uncertainty of each characteristic that has a number.
    """

    status: int
    verdict: str
    cause: str
    error: str
    bench_seconds: float
    pins: Pins
    opened: OpenedSimulation
    measured: dict[str, tuple[float, float]] = field(default_factory=dict)


def whole_run(
    model: str,
    condition: str,
    seed: int,
    *,
    link: Callable[[OpenedSimulation], ByteLink] = lambda opened: opened.board_link,
    prepare: Callable[[OpenedSimulation], None] = lambda _: None,
    bench_file: str = "",
    board: str = "",
    full: bool = True,
) -> Outcome:
    """Take one simulated valve through the whole sequence.

    Parameters
    ----------
    link : callable
        Gives the way to the board; by default the clean one in memory.
    prepare : callable
        Does something to the bench before the run.
    bench_file : str
        More lines at the end of the bench file.
    board : str
        The board's identity, if it is not the simulated one.
    full : bool
        Each measurement to its end; False: no longer than it takes.
    """
    opened = open_bench({"model": model, "condition": condition, "seed": seed})
    pins = Pins()
    pins.watch(opened.simulated_bench.world)
    prepare(opened)
    text = opened.bench_file.replace(IDENTITY.decode(), board) if board else opened.bench_file
    bench = Bench(
        parse_bench_file(text + bench_file, where="of the study"),
        opened.clock,
        RelayBoard(link(opened), opened.clock),
        Multimeter(opened.meter_link, opened.clock),
    )
    valve = Catalogue(model_folders()).get(model)
    try:
        finished = qualify(
            bench,
            valve,
            Intake("S-1", model, "core", "study"),
            sink=NoStore(),
            seed=seed,
            control_waived=True,  # nobody is here to take the valve off
            full=full,
        )
    except BenchError as error:
        return Outcome(3, "", "", f"{type(error).__name__}: {error}", opened.clock.now(), pins, opened)
    judgement = finished.judgement
    status = {"accept": 0, "reject": 1, "undecided": 4}[judgement.verdict]
    found = [each.characteristic for each in judgement.judged]
    measured = {each.name: (each.value, each.u) for each in found if each.value is not None and each.u is not None}
    return Outcome(status, judgement.verdict, judgement.cause or "", "", opened.clock.now(), pins, opened, measured)
