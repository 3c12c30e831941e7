"""Runs short enough for every save of a file: the simulated bench in memory with a 5 s hold, 3 s of flow, 3 clicks.

The sequence is the whole one; only the measurements are less sure than a real run's. `canned_flow` may stand in for the
analysis of the fill, where that is not what is tested.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from benchrig.analysis.flow.open_flow import FlowResult
from benchrig.analysis.results import Samples
from benchrig.application.paths import model_folders
from benchrig.bench.bench import Bench
from benchrig.catalogue import Catalogue, ValveModel
from benchrig.sequencer.context import Context, Quiet
from benchrig.sequencer.events import Intake, RunEnded, RunStarted, StepResult
from benchrig.sequencer.operator import Operator
from benchrig.sequencer.overlap import take_steps
from benchrig.sequencer.run import Finished, qualify
from benchrig.sequencer.sequence import STEPS
from simulators.entry import OpenedSimulation
from tests.sequencer.simulated_hands import Obedient, simulated

SHORT = {"hold_s": 5.0, "flow_s": 3.0, "clicks": 3, "coil_readings": 2}


def valve(model: str = "alder-24") -> ValveModel:
    return Catalogue(model_folders()).get(model)


def set_in_file(bench: Bench, table: str, **keys: Any) -> None:
    """Change constants of the bench file under a bench that is open."""
    changed = getattr(bench.file, table).model_copy(update=keys)
    bench.loaded = replace(bench.loaded, file=bench.file.model_copy(update={table: changed}))
    bench.apply_calibrations(bench.traceability)


def short_bench(**options: Any) -> tuple[OpenedSimulation, Bench, Obedient]:
    opened, bench, operator = simulated(**options)
    set_in_file(bench, "sequence", **SHORT)
    return opened, bench, operator


def context(bench: Bench, model: str = "alder-24", **known: Any) -> Context:
    """A run's context on a bench that is connected and armed."""
    bench.connect()
    bench.arm(20.0)
    run = Context(bench, valve(model).model_copy(update={"coil_limit_s": 20.0}), Quiet())
    for name, value in known.items():
        setattr(run, name, value)
    return run


def step(name: str, run: Context) -> Any:
    """Run one step of the sequence."""
    (found,) = take_steps([each for each in STEPS if each.name == name], run)
    return found


def canned_flow(time_s: Samples, pressure_pa: Samples, **known: Any) -> FlowResult:
    """Stand in for the analysis of the fill, most of a run's time: flow from the slope at the rated vacuum.

    As if the gas kept its temperature; 20 % added for its cooling, which is about right here.
    """
    ambient_pa, rated_pa = known["ambient_pa"], known["rated_vacuum_pa"]
    began_pa, ended_pa = float(pressure_pa[:100].mean()), float(pressure_pa[-100:].mean())
    if ended_pa - began_pa < 0.1 * (ambient_pa - began_pa):
        return FlowResult(opened=False, flow_at_rated_vacuum_lpm_anr=0.0, flow_at_rated_vacuum_lpm_anr_u=0.01)
    near = np.abs(pressure_pa - (ambient_pa - rated_pa)) < 3_000.0
    slope_pa_s = float(np.polyfit(time_s[near], pressure_pa[near], 1)[0])
    lpm = 1.2 * known["volume_m3"] * slope_pa_s / 100e3 * 60e3
    return FlowResult(opened=True, flow_at_rated_vacuum_lpm_anr=lpm, flow_at_rated_vacuum_lpm_anr_u=0.02 * lpm,
                      opening_delay_ms=6.0, opening_delay_ms_u=0.5)  # fmt: skip


class Kept:
    """A sink and a watcher that remember what they were told, in order."""

    def __init__(self, number: str = "0001") -> None:
        self.number = number
        self.told: list[str] = []
        self.started: list[RunStarted] = []
        self.steps: list[StepResult] = []
        self.ends: list[RunEnded] = []

    def run_started(self, run: RunStarted) -> str:
        self.told.append("started")
        self.started.append(run)
        return self.number

    def step_finished(self, step: StepResult) -> None:
        self.told.append(f"kept {step.name}")
        self.steps.append(step)

    def run_ended(self, end: RunEnded) -> None:
        self.told.append(f"ended {end.ending}")
        self.ends.append(end)

    def step_began(self, name: str, title: str, expected_s: float) -> None:
        self.told.append(f"began {name}")

    def progress(self, name: str, done_s: float, expected_s: float, reading: str) -> None:
        pass

    def step_ended(self, step: StepResult) -> None:
        self.told.append(f"showed {step.name}")


def short_run(
    sink: Kept, bench: Bench, model: str = "alder-24", operator: Operator | None = None, **more: Any
) -> Finished:
    return qualify(
        bench,
        valve(model),
        Intake("S-1", model, "core", "test"),
        sink=sink,
        watcher=sink,
        operator=operator,
        **more,
    )
