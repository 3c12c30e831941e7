"""Clicks: energise and release, again and again, and read the armature's motion out of the current."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.armature.clicks import UNITS, ClickSet, combine_clicks
from benchrig.analysis.armature.inrush import InrushResult, analyse_inrush
from benchrig.analysis.coil.resistance import CrossCheck, steady_current_cross_check
from benchrig.analysis.results import Curve, Trace
from benchrig.bench.bench import Recording
from benchrig.bench.wiring import AT_REST
from benchrig.drivers.relay_board import Channel, Output
from benchrig.sequencer.context import Context, not_measured
from benchrig.sequencer.steps.early_end import clear_of_limits
from benchrig.sequencer.steps.impossible_readings import check_dead, check_energised
from benchrig.sequencer.steps.resistance_cross_check import check_meter_against_current
from benchrig.sequencer.steps.step_output import StepOutput

__all__ = ["PULSE_MS", "WORDS", "at_the_end", "clicks", "known_of_pulse", "pulses", "under_load"]

PERIOD_S = 0.0001
LEAD_IN_S, ON_S, OFF_S = 0.020, 0.120, 0.100
PULSE_MS = ON_S * 1e3
CHANNELS = (Channel.COIL_CURRENT, Channel.SUPPLY)
SAMPLES = round((LEAD_IN_S + ON_S + OFF_S) / PERIOD_S)
WORDS = len(CHANNELS) * SAMPLES
"""Board memory that one recording takes."""
EVERY_S = 0.5
QUICK_EVERY_S = LEAD_IN_S + ON_S + OFF_S
"""One pulse after the other: the current has died away within the record, and half of the time is rest."""
QUICK_REST_S = 0.3
"""So long before the first of these the coil was switched off: a slow current of its last use has died away."""
END_OF_PULSE_S = 0.010
DEAD_CLICKS = 3
"""On an open coil a few pulses are enough to see that no current flows."""
WARMED_K, WARMED_BY_HOLDING_K = 8.0, 25.0
"""The most by which a coil warms before; the second when it was energised to hold (engineering judgement)."""


def clicks(run: Context) -> StepOutput:
    """Click the valve with nothing but open air at both ports."""
    bench, file = run.bench, run.bench.file
    bench.switch(AT_REST)
    if run.coil == "short":
        why = "the coil measures as a short: it is not energised"
        return StepOutput(
            characteristics=tuple(not_measured(name, unit, why) for name, unit in UNITS.items()), skipped=why
        )
    count = DEAD_CLICKS if run.coil == "open" else file.sequence.clicks
    if run.full or run.coil != "sound" or count <= run.model.least_clicks:
        results, loads_v, traces = pulses(run, count, "clicks")
    else:
        results, loads_v, traces = _as_many_as_needed(run, count)
    together = combine_clicks(results, PULSE_MS)
    run.clicks, run.moved, run.still = together.pulses, together.moved, together.still
    load_v = float(np.mean(loads_v))
    check = under_load(run, together, load_v)
    readings = {
        "pulses": (float(together.pulses), ""),
        "pulses with motion": (float(together.moved), ""),
        "supply under load": (load_v, "V"),
    }
    notes = together.notes
    if check is not None:
        check_meter_against_current(run, check)
        run.load_ratio, run.load_ratio_u = check.ratio, check.ratio_u
        readings["coil resistance under load"] = (check.under_load_ohm, "ohm")
        if check.outcome != "agrees":
            notes = (*notes, check.why)
    return StepOutput(
        characteristics=tuple(together.characteristics.values()),
        traces=tuple(traces),
        readings=readings,
        notes=notes,
    )


def _as_many_as_needed(run: Context, count: int) -> tuple[list[InrushResult], list[float], list[Trace]]:
    """A few clicks close together; the rest of `count`, at leisure, unless those few settle it."""
    least = run.model.least_clicks
    results, loads_v, traces = pulses(run, least, "clicks", every_s=QUICK_EVERY_S)
    together = combine_clicks(results, PULSE_MS)
    if together.moved == least and clear_of_limits(run, tuple(together.characteristics.values())):
        return results, loads_v, traces
    more = pulses(run, count - least, "clicks", after=least)
    return results + more[0], loads_v + more[1], traces + more[2]


def pulses(
    run: Context, count: int, step: str, *, every_s: float = EVERY_S, after: int = 0
) -> tuple[list[InrushResult], list[float], list[Trace]]:
    """Energise and release so many times; what each pulse shows, the supply's volts at its end, and its trace.

    `after` so many others.
    """
    bench = run.bench
    report = run.watch(step, count * every_s)
    results: list[InrushResult] = []
    loads_v: list[float] = []
    traces: list[Trace] = []
    # the coil may just have been released: the first lead-in must be without current
    at_leisure = every_s > QUICK_EVERY_S
    bench.wait_until(bench.clock.now() + EVERY_S if at_leisure else run.coil_off_s + QUICK_REST_S)
    due_s = bench.clock.now()
    for number in range(after + 1, after + count + 1):
        recording = bench.record(
            CHANNELS,
            period_s=PERIOD_S,
            samples=SAMPLES,
            switch_at=round(LEAD_IN_S / PERIOD_S),
            switch_to=frozenset({Output.COIL}),
            release_at=round((LEAD_IN_S + ON_S) / PERIOD_S),
            release_to=AT_REST,
        )
        result = analyse_inrush(
            recording.time_s,
            recording.columns["current_a"],
            voltage_v=recording.columns["voltage_v"],
            off_s=recording.released_s,
            **known_of_pulse(run),
        )
        check_dead(run, float(recording.columns["current_a"][recording.time_s < 0].mean()))
        load_a, load_v = at_the_end(recording)
        check_energised(run, load_a, load_v)
        results.append(result)
        loads_v.append(load_v)
        traces.append(_trace(number, recording, result))
        moved = sum(1 for each in results if each.armature_moved)
        report(f"{moved} of {number - after} moved")
        due_s += every_s
        if number < after + count:
            bench.wait_until(due_s)
    return results, loads_v, traces


def known_of_pulse(run: Context) -> dict[str, float]:
    """What is known before the coil is switched on, as `analyse_inrush` takes it."""
    return {
        "supply_v": run.supply_v,
        "supply_u_v": run.supply_v * run.bench.divider.u_relative,
        "current_u_rel": run.bench.shunt.u_relative,
    }


def at_the_end(recording: Recording) -> tuple[float, float]:
    """Coil current and supply voltage at the end of the pulse."""
    end_s = recording.released_s if recording.released_s is not None else ON_S
    last = (recording.time_s > end_s - END_OF_PULSE_S) & (recording.time_s < end_s)
    return float(recording.columns["current_a"][last].mean()), float(recording.columns["voltage_v"][last].mean())


def under_load(run: Context, together: ClickSet, load_v: float) -> CrossCheck | None:
    """A joint that fails only under load shows as more resistance than the cold coil leads to."""
    steady = together.characteristics["steady_current_a"]
    if run.cold_resistance is None or steady.value is None or steady.u is None:
        return None
    file = run.bench.file
    return steady_current_cross_check(
        run.cold_resistance,
        voltage_v=load_v,
        voltage_u_v=load_v * run.bench.divider.u_relative,
        current_a=steady.value,
        current_u_a=steady.u,
        coil_c=run.ambient_k - 273.15,
        coil_u_k=file.thermistor.u_k,
        heating_k=WARMED_BY_HOLDING_K if run.closed_when_energised else WARMED_K,
        series_ohm=file.shunt.series_ohm,
        series_u_ohm=file.shunt.series_u_ohm,
    )


def _trace(number: int, recording: Recording, result: InrushResult) -> Trace:
    marks: dict[str, float] = {}
    if result.motion_start_ms is not None:
        marks["motion starts"] = result.motion_start_ms * 1e-3
    if result.pull_in_time_ms is not None:
        marks["pull-in"] = result.pull_in_time_ms * 1e-3
    if recording.released_s is not None:
        marks["released"] = recording.released_s
        if result.drop_out_time_ms is not None:
            marks["drop-out"] = recording.released_s + result.drop_out_time_ms * 1e-3
    fit = Curve("no motion", result.fit_time_s, result.fit_current_a)
    return Trace(
        f"click {number}",
        recording.time_s,
        recording.columns,
        marks,
        curves=(("current_a", fit),) if len(fit.time_s) else (),
    )
