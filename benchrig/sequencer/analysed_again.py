"""The traces of a run that is over, analysed by this program and judged anew. Nothing is switched, nothing is kept.

The run's own constants stand in its record and are put into a bench file; what the record does not hold (what the day's
other runs told of the recovery, when and how precisely the rise at rest was read) is taken as where nothing is known.
The coil's resistance, what was measured warm and what was looked at without the valve are taken as they were found.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Literal, cast

import numpy as np

from benchrig.analysis.armature.clicks import combine_clicks
from benchrig.analysis.armature.inrush import analyse_inrush
from benchrig.analysis.flow.open_flow import analyse_flow
from benchrig.analysis.results import Characteristic, Trace
from benchrig.bench.bench import Bench, Recording
from benchrig.bench.calibrations import Constant, with_constants
from benchrig.bench.constants import CONSTANTS
from benchrig.bench.file import BenchFile
from benchrig.catalogue.valve_model import ValveModel
from benchrig.drivers.conversions import Divider, Shunt
from benchrig.errors import ConfigError
from benchrig.sequencer.context import Context, Quiet
from benchrig.sequencer.events import BenchFacts, Intake, ModelFacts, StepResult
from benchrig.sequencer.run import judge_found
from benchrig.sequencer.steps.clicks import PULSE_MS, at_the_end, known_of_pulse, under_load
from benchrig.sequencer.steps.coil import SHORT_MARGIN
from benchrig.sequencer.steps.control import doubted, without_control
from benchrig.sequencer.steps.flow import characteristics_of, known_of_fill
from benchrig.sequencer.steps.hold import (
    EXPECTED_LABEL,
    EXPECTED_U_LABEL,
    FRESH_LABEL,
    FRESH_SECONDS_LABEL,
    HELD_LABEL,
    LET_DOWN_LABEL,
    known_of,
    learned,
    limit_of,
)
from benchrig.sequencer.steps.hold_looks import HoldLooks
from benchrig.sequencer.steps.vapour import LEAST_U_PA, ROOM_READ_U_K, RestRise
from benchrig.verdict.judgement import Judgement, Limit

__all__ = ["FinishedRun", "JudgedBy", "analysed_again", "bench_of_run"]

_LEAK = "hold_leak_sccm"
USUAL_HOLD_VACUUM_KPA = 60.0


@dataclass(frozen=True)
class JudgedBy:
    """What a verdict asks of a valve model: its limits, and what its measurements are made at."""

    limits: tuple[Limit, ...]
    guard_band: str
    normally: Literal["closed", "open"]
    rated_vacuum_kpa: float
    hold_vacuum_kpa: float = USUAL_HOLD_VACUUM_KPA
    general_practice: bool = False
    """Whether nobody had the model's own limits."""

    @classmethod
    def of(cls, model: ValveModel | ModelFacts) -> JudgedBy:
        """From a model file, or from what a record keeps of one."""
        return cls(
            model.limits,
            model.guard_band,
            model.normally,
            model.rated_vacuum_kpa,
            model.hold_vacuum_kpa if isinstance(model, ValveModel) else USUAL_HOLD_VACUUM_KPA,
            model.general_practice,
        )


@dataclass(frozen=True)
class FinishedRun:
    """What is needed of a record: who brought the part, the bench as it was, the steps with traces, the judgement."""

    intake: Intake
    bench: BenchFacts
    steps: Sequence[StepResult]
    judgement: Judgement


def bench_of_run(facts: BenchFacts, file: BenchFile) -> BenchFile:
    """A bench file with the constants that a run was made with in the place of its own."""
    known = []
    for each in CONSTANTS:
        if each.title in facts.constants:
            value, u, unit = facts.constants[each.title]
            known.append(Constant(each.name, value, u, unit))
        elif each.name == "background leak_sccm":
            known.append(Constant(each.name, 0.0, 0.0, each.unit))
    return with_constants(file, known)


def analysed_again(record: FinishedRun, file: BenchFile, by: JudgedBy) -> Judgement:
    """Analyse the traces of a finished run with this program and judge what they tell.

    Parameters
    ----------
    file : BenchFile
        With the run's constants: `bench_of_run`.
    by : JudgedBy
        Limits and decision rule.

    Raises
    ------
    ConfigError
        The record lacks what an analysis needs: it was made by a program that kept less.
    """
    supply, shunt = file.supply, file.shunt
    stand_in = SimpleNamespace(
        file=file,
        divider=Divider(supply.divider, supply.u_relative),
        shunt=Shunt(shunt.volts_per_amp, shunt.u_relative),
        recovery=None,
        traceability=SimpleNamespace(is_of_today=lambda _: False),
    )
    run = Context(cast("Bench", stand_in), cast("ValveModel", by), Quiet())
    steps = {step.name: step for step in record.steps}
    _surroundings(run, steps)
    warmed = steps.get("warm")
    if warmed is not None and "coil warmed to" in warmed.readings:
        run.warm_c = run.warmed_c = warmed.readings["coil warmed to"][0]
    for step in record.steps:
        analyse = {"coil": _coil, "hold": _hold, "flow": _flow, "clicks": _clicks}.get(step.name)
        analysable = analyse is not None and not step.skipped and (step.traces or step.name == "coil")
        run.found += analyse(run, step) if analyse is not None and analysable else step.characteristics
    control = steps.get("control")
    _controlled(run, record, control)
    judgement = judge_found(run, record.intake)
    doubts = doubted(judgement, coil_not_energised=run.coil == "short")
    stood = control is not None and control.skipped and record.judgement.verdict == "reject"
    if doubts and (control is None or control.skipped) and not stood:
        return without_control(judgement, doubts)
    return judgement


def _surroundings(run: Context, steps: dict[str, StepResult]) -> None:
    try:
        readings = steps["ready"].readings
        run.supply_v = readings["coil supply"][0]
        run.ambient_pa = readings["ambient pressure"][0] * 1000
        run.ambient_k = readings["ambient temperature"][0] + 273.15
    except KeyError as error:
        raise ConfigError(
            f"The record holds no {error}: it cannot be analysed again.",
            hint="Only runs that came to a verdict can be.",
        ) from error


def _coil(run: Context, step: StepResult) -> Iterable[Characteristic]:
    """As it was found: the meter's specification, which its uncertainty rests on, is not in the record."""
    (found,) = step.characteristics
    run.cold_resistance = found
    readings_ohm = [value for label, (value, _) in step.readings.items() if label.startswith("reading ")]
    if found.bound == "above":
        run.coil = "open"
    elif found.value is None:
        run.coil = "intermittent"
    elif readings_ohm and min(readings_ohm) < run.supply_v / (SHORT_MARGIN * run.bench.file.shunt.over_current_a):
        run.coil = "short"
    else:
        run.coil = "sound"
    return step.characteristics


def _recording(trace: Trace) -> Recording:
    return Recording(trace.time_s, trace.columns, trace.marks.get("released"))


def _hold(run: Context, step: StepResult) -> Iterable[Characteristic]:
    trace = step.traces[0]
    pressure_pa = trace.columns["pressure_pa"]
    seconds = max(step.ended_s - step.started_s, 0.1)
    drift = step.readings["drift of the room"][0] / 60, math.sqrt(2.0) * ROOM_READ_U_K / seconds
    reached_pa = step.readings["vacuum reached"][0] * 1000
    run.let_down = LET_DOWN_LABEL in step.readings
    run.expected_chill_k = step.readings.get(EXPECTED_LABEL, (None, "K"))[0]
    run.expected_chill_u_k = step.readings.get(EXPECTED_U_LABEL, (0.0, "K"))[0]
    rest = None
    if "rise at rest before pumping" in step.readings:
        rise_pa = step.readings["rise at rest before pumping"][0]
        look_s = run.bench.file.sequence.vapour_look_s
        rest = RestRise(rise_pa, math.sqrt(2.0) * LEAST_U_PA, look_s, run.ambient_pa, run.ambient_k)
    if FRESH_LABEL in step.readings:
        rise_pa, look_s = (step.readings[label][0] for label in (FRESH_LABEL, FRESH_SECONDS_LABEL))
        rest = RestRise(rise_pa, math.sqrt(2.0) * LEAST_U_PA, look_s, run.ambient_pa, run.ambient_k, fresh=True)
    result = HoldLooks(known_of(run), limit_of(run), rest).result(trace.time_s, pressure_pa, drift)
    run.reached_vacuum_pa = reached_pa
    return (learned(run, result, rest, drift, step.readings[HELD_LABEL][0], reached_pa),)


def _flow(run: Context, step: StepResult) -> Iterable[Characteristic]:
    trace = step.traces[0]
    result = analyse_flow(trace.time_s, trace.columns["pressure_pa"], **known_of_fill(run))
    run.opened = result.opened
    return characteristics_of(result)


def _clicks(run: Context, step: StepResult) -> Iterable[Characteristic]:
    recordings = [_recording(trace) for trace in step.traces]
    results = [
        analyse_inrush(
            each.time_s,
            each.columns["current_a"],
            voltage_v=each.columns["voltage_v"],
            off_s=each.released_s,
            **known_of_pulse(run),
        )
        for each in recordings
    ]
    together = combine_clicks(results, PULSE_MS)
    run.clicks, run.moved, run.still = together.pulses, together.moved, together.still
    check = under_load(run, together, float(np.mean([at_the_end(each)[1] for each in recordings])))
    if check is not None:
        run.load_ratio, run.load_ratio_u = check.ratio, check.ratio_u
    return together.characteristics.values()


def _controlled(run: Context, record: FinishedRun, control: StepResult | None) -> None:
    """What a look without the valve found: it stands, whatever the traces say now."""
    if control is None or control.skipped:
        return
    run.leak_controlled = True
    was = record.judgement
    run.vapour = (run.vapour or run.slow_rise) if was.cause == "wet" else None
    held = next((each for step in record.steps for each in step.characteristics if each.name == _LEAK), None)
    judged = next((each.characteristic for each in was.judged if each.characteristic.name == _LEAK), None)
    if judged is not None and held is not None and (judged.value, judged.u) != (held.value, held.u):
        run.found = [judged if each.name == _LEAK else each for each in run.found]
