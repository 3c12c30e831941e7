"""Open flow: change the valve's state and watch the reservoir fill."""

from __future__ import annotations

import math
from typing import Any

from benchrig.analysis.characteristics import units_of_step
from benchrig.analysis.flow.open_flow import FlowResult, analyse_flow
from benchrig.analysis.results import Characteristic, Curve, Samples, Trace
from benchrig.bench.bench import Recording
from benchrig.bench.wiring import AT_REST, closed_up
from benchrig.drivers.relay_board import Channel
from benchrig.sequencer.context import Context, not_measured
from benchrig.sequencer.pump_down import draw_down
from benchrig.sequencer.steps.early_end import clear_of_limits
from benchrig.sequencer.steps.impossible_readings import check_dead, check_energised, check_pressure, check_vented
from benchrig.sequencer.steps.step_output import StepOutput

__all__ = ["capture_words", "characteristics_of", "flow", "known_of_fill"]

UNITS = units_of_step("flow")
PERIOD_S = 0.0005
LEAD_IN = 400
LEAST_VACUUM_PA = 10_000.0
"""Onto less vacuum than this the fill says too little."""
ENOUGH_LEFT = 0.75
"""When the hold step left at least this part of the wanted vacuum, it is used as it is: the gas is at rest and warm."""
SETTLE_S = 4.0
LOOK_EVERY_S = 0.1
PAST_RATED, LESS_LEFT = 0.6, 0.5
"""The first look at the flow when this part of the rated vacuum is left, each further one when half as much is."""
USUAL_CHILL_K, REST_U_K = 16.0, 1.0
"""Gas is colder than the wall by about so much after pumping half a litre down (estimate), where the bench file does
not say; and it is never nearer to the wall's temperature than known."""
DECAYED_S = 0.5
"""So long after it was switched off no coil with a sound diode still carries current."""
GIVE_UP_S = 2.0
"""A valve that lets nothing in for so long after it was told to open is not going to."""


CHANNELS = (Channel.COIL_CURRENT, Channel.PRESSURE)


def capture_words(flow_s: float) -> int:
    """Board memory that the recording takes."""
    return len(CHANNELS) * _samples(flow_s)


def _samples(flow_s: float) -> int:
    return LEAD_IN + round(flow_s / PERIOD_S)


def flow(run: Context) -> StepOutput:
    """Open the valve onto the vacuum and measure how freely air comes in."""
    bench, file = run.bench, run.bench.file
    if run.coil != "sound":
        bench.switch(AT_REST)
        return _skip(f"the coil is {run.coil}: it cannot change the valve's state")
    if run.reached_vacuum_pa is not None and run.reached_vacuum_pa < LEAST_VACUUM_PA:
        bench.switch(AT_REST)
        return _skip(
            f"the valve does not close on a vacuum ({run.reached_vacuum_pa / 1000:.1f} kPa): nothing to open onto"
        )
    if run.vacuum_pa < ENOUGH_LEFT * run.hold_vacuum_pa:
        run.vacuum_pa = draw_down(run, "flow")
        bench.switch(closed_up(coil=run.closed_when_energised))
        bench.wait(SETTLE_S)
    report = run.watch("flow", file.sequence.flow_s)
    pressure_pa = bench.pressure_pa(50)
    check_pressure(run, pressure_pa)
    began_pa = run.ambient_pa - pressure_pa
    if began_pa < LEAST_VACUUM_PA:
        bench.switch(AT_REST)
        return _skip(
            f"only {began_pa / 1000:.1f} kPa of vacuum was left to open onto; {LEAST_VACUUM_PA / 1000:.0f} kPa needed"
        )

    known = known_of_fill(run)

    def analyse(time_s: Samples, pressure_pa: Samples, *, alternatives: bool) -> FlowResult:
        return analyse_flow(time_s, pressure_pa, alternatives=alternatives, **known)

    left_pa = began_pa

    def enough(so_far: Recording) -> bool:
        nonlocal left_pa
        pressure_pa = so_far.columns["pressure_pa"]
        vacuum_pa = run.ambient_pa - float(pressure_pa[-40:].mean())
        report(f"{vacuum_pa / 1000:.1f} kPa vacuum")
        if so_far.time_s[-1] > GIVE_UP_S and vacuum_pa > 0.97 * began_pa:
            return True
        past = vacuum_pa < PAST_RATED * 1000 * run.model.rated_vacuum_kpa
        if run.full or not past or vacuum_pa > LESS_LEFT * left_pa:
            return False
        left_pa = max(vacuum_pa, 1.0)
        return clear_of_limits(run, characteristics_of(analyse(so_far.time_s, pressure_pa, alternatives=False)))

    recording = bench.record(
        CHANNELS,
        period_s=PERIOD_S,
        samples=_samples(file.sequence.flow_s),
        switch_at=LEAD_IN,
        switch_to=closed_up(coil=not run.closed_when_energised),
        enough=enough,
        every_s=LOOK_EVERY_S,
    )
    if not run.closed_when_energised:
        check_energised(run, bench.current_a(), bench.supply_v())
    else:
        bench.wait(max(0.0, DECAYED_S - float(recording.time_s[-1])))
        check_dead(run, bench.current_a())
    bench.switch(AT_REST)
    run.coil_off_s = bench.clock.now()
    check_pressure(run, float(recording.columns["pressure_pa"][-40:].mean()))
    check_vented(run)
    with bench.disarmed(run.coil_limit_s):  # a record that is questioned takes seconds
        result = analyse(recording.time_s, recording.columns["pressure_pa"], alternatives=True)
    run.opened = result.opened
    return StepOutput(
        characteristics=characteristics_of(result), traces=(_trace(recording, result),), notes=tuple(result.notes)
    )


def known_of_fill(run: Context) -> dict[str, Any]:
    """What is known before the valve opens, as `analyse_flow` takes it."""
    file = run.bench.file
    return {
        "volume_m3": file.reservoir.volume_m3,
        "volume_u_m3": file.reservoir.volume_u_m3,
        "ambient_pa": run.ambient_pa,
        "ambient_k": run.ambient_k,
        "rated_vacuum_pa": run.model.rated_vacuum_kpa * 1000,
        "thermal_time_constant_s": run.thermal_time_constant_s or file.heat.time_constant_s,
        "thermal_time_constant_u_s": run.thermal_time_constant_u_s or file.heat.u_s,
        "inflow_w_k": file.heat.inflow_w_k,
        "inflow_u_w_k": file.heat.inflow_u_w_k,
        "inflow_power": file.heat.inflow_power,
        "inflow_power_u": file.heat.inflow_power_u,
        "response_s": file.transducer.response_ms * 1e-3,
        "pressure_u_pa": file.transducer.u_pa,
        "switching_known": True,
        "start_u_k": _start_u_k(run),
    }


def _start_u_k(run: Context) -> float:
    """How far the gas may be from the wall's temperature when the valve opens, standard uncertainty."""
    tau_s = run.thermal_time_constant_s or run.bench.file.heat.time_constant_s
    chill_k = run.bench.file.heat.chill_k or USUAL_CHILL_K
    return math.hypot(REST_U_K, chill_k * math.exp(-run.held_s / tau_s)) if run.held_s else REST_U_K


def _skip(why: str) -> StepOutput:
    return StepOutput(characteristics=tuple(not_measured(name, unit, why) for name, unit in UNITS.items()), skipped=why)


def characteristics_of(result: FlowResult) -> tuple[Characteristic, ...]:
    """What a fill told."""
    how = {
        "flow_at_rated_vacuum_lpm_anr": "mass and energy balance of the filling reservoir at the rated vacuum",
        "sonic_conductance_dm3_s_bar": "mass and energy balance of the filling reservoir",
        "critical_pressure_ratio": "shape of the fill below choked flow",
        "opening_delay_ms": "from the switch to the first rise of pressure, transducer response taken out",
    }
    return tuple(
        Characteristic(
            name,
            getattr(result, name),
            getattr(result, f"{name}_u"),
            unit,
            how=how[name],
            bound=result.bounds.get(name, ""),
            why_not=result.why_not.get(name, ""),
            parts=tuple(result.parts) if name == "sonic_conductance_dm3_s_bar" else (),
        )
        for name, unit in UNITS.items()
    )


def _trace(recording: Recording, result: FlowResult) -> Trace:
    fit = Curve("fit", result.fit_time_s, result.fit_pressure_pa)
    marks = {}
    if result.opened and result.opening_delay_ms is not None:
        marks["opened"] = result.opening_delay_ms * 1e-3
    return Trace(
        "flow", recording.time_s, recording.columns, marks, curves=(("pressure_pa", fit),) if len(fit.time_s) else ()
    )
