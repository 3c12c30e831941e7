"""Hold vacuum: draw the closed valve down, shut it off, and watch."""

from __future__ import annotations

from typing import Any

from benchrig.analysis.leak.hold_vacuum import HoldResult, analyse_hold
from benchrig.analysis.results import Characteristic, Curve, Trace
from benchrig.bench.bench import Recording
from benchrig.bench.wiring import closed_up, pumping
from benchrig.drivers.relay_board import Channel, Output
from benchrig.errors import BenchError
from benchrig.sequencer.context import Context, HoldRecord, not_measured
from benchrig.sequencer.steps.plausibility import check_dead, check_energised, check_pressure
from benchrig.sequencer.steps.step_output import StepOutput
from benchrig.sequencer.steps.vapour import Room, beside_vapour, learn_of_vapour, rise_at_rest, vapour_odds

__all__ = ["QUICK_WORDS", "capture_words", "draw_down", "hold"]

NAME, UNIT = "hold_leak_sccm", "sccm"
PERIOD_S, QUICK_PERIOD_S = 0.005, 0.0005
LEAD_IN = 20
PUMP_RUNS_ON_S = 0.1
"""The pump stops this long after the isolation valve was told to close: a few times the valve's travel."""
NO_VACUUM_PA = 100.0
"""An open purge valve still lets a working pump draw several times this; below it the pump draws nothing."""
QUICK_BELOW_PA, QUICK_S = 5_000.0, 3.0
"""From so little vacuum the rise is over within a second: record it faster."""
STILL_RISING_PA_S = 150.0
LOOK_BACK_S = 3.0
ENOUGH_VACUUM = 0.9


def draw_down(run: Context, step: str) -> float:
    """Pump until the wanted vacuum, or until the pump makes no more of it; return the vacuum in pascals below ambient.

    Raises
    ------
    BenchError
        There is no vacuum at all: the bench, not the valve.
    """
    bench = run.bench
    wanted_pa = run.hold_vacuum_pa
    limit_s = bench.file.reservoir.pump_limit_s
    bench.switch(pumping(coil=run.closed_when_energised))
    began_s = bench.clock.now()
    report = run.watch(step, limit_s)
    earlier: list[tuple[float, float]] = []
    while True:
        bench.wait(0.25)
        elapsed_s = bench.clock.now() - began_s
        pressure_pa = bench.pressure_pa(20)
        check_pressure(run, pressure_pa)
        vacuum_pa = run.ambient_pa - pressure_pa
        report(f"{vacuum_pa / 1000:.1f} kPa vacuum")
        earlier.append((elapsed_s, vacuum_pa))
        if vacuum_pa >= wanted_pa:
            return vacuum_pa
        past = [(t, v) for t, v in earlier if t <= elapsed_s - LOOK_BACK_S]
        if elapsed_s >= limit_s or (past and _rise_pa_s(past[-1], earlier[-1]) < STILL_RISING_PA_S):
            break
    if vacuum_pa < NO_VACUUM_PA:
        raise BenchError(
            f"The pump drew {vacuum_pa:.0f} Pa of vacuum in {elapsed_s:.0f} s; even a wide open valve leaves it over "
            f"{NO_VACUUM_PA:.0f} Pa.",
            hint="Does the pump run? Are the hoses on, does the vent close? Then isolation valve, transducer's hose.",
        )
    return vacuum_pa


def _rise_pa_s(then: tuple[float, float], now: tuple[float, float]) -> float:
    """Vacuum gained for each second between two looks, each a time and a vacuum."""
    return (now[1] - then[1]) / (now[0] - then[0])


def capture_words(hold_s: float, period_s: float = PERIOD_S) -> int:
    """Board memory that the recording takes: a word for each sample of its one channel."""
    return LEAD_IN + round(hold_s / period_s)


QUICK_WORDS = capture_words(QUICK_S, QUICK_PERIOD_S)


def hold(run: Context) -> StepOutput:
    """Hold a vacuum on the closed valve and measure what leaks in."""
    bench, file = run.bench, run.bench.file
    coil_on = run.closed_when_energised
    if coil_on and run.coil != "sound":
        why = f"a normally open valve is closed by its coil, and the coil is {run.coil}"
        return StepOutput(characteristics=(not_measured(NAME, UNIT, why),), skipped=why)
    if coil_on:
        bench.switch(frozenset({Output.COIL}))
        bench.wait(0.3)
        check_energised(run, bench.current_a(), bench.supply_v())
    room = Room(bench)
    rest = rise_at_rest(run)
    reached_pa = draw_down(run, "hold")
    run.reached_vacuum_pa = reached_pa
    quick = reached_pa < QUICK_BELOW_PA
    period_s = QUICK_PERIOD_S if quick else PERIOD_S
    hold_s = QUICK_S if quick else file.sequence.hold_s
    report = run.watch("hold", hold_s)

    def enough(so_far: Recording) -> bool:
        recent_pa = float(so_far.columns["pressure_pa"][-20:].mean())
        vacuum_pa = run.ambient_pa - recent_pa
        report(f"{vacuum_pa / 1000:.1f} kPa vacuum")
        return so_far.time_s[-1] > 1.0 and vacuum_pa < max(500.0, 0.03 * reached_pa)

    recording = bench.record(
        (Channel.PRESSURE,),
        period_s=period_s,
        samples=capture_words(hold_s, period_s),
        switch_at=LEAD_IN,
        switch_to=closed_up(coil=coil_on) | {Output.PUMP},
        release_at=LEAD_IN + round(PUMP_RUNS_ON_S / period_s),
        release_to=closed_up(coil=coil_on),
        enough=enough,
    )
    pressure_pa = recording.columns["pressure_pa"]
    ended_pa = float(pressure_pa[-20:].mean())
    check_pressure(run, ended_pa)
    if coil_on:
        check_energised(run, bench.current_a(), bench.supply_v())
    else:
        check_dead(run, bench.current_a())
    run.vacuum_pa = run.ambient_pa - ended_pa
    drift_k_s, drift_u_k_s = room.drift_k_s()
    limit_sccm = next((limit.high for limit in run.model.limits if limit.name == NAME), None)
    told: dict[str, Any] = dict(
        volume_m3=file.reservoir.volume_m3,
        volume_u_m3=file.reservoir.volume_u_m3,
        ambient_pa=run.ambient_pa,
        ambient_k=run.ambient_k,
        ambient_u_k=file.thermistor.u_k,
        background_sccm=file.background.leak_sccm,
        background_u_sccm=file.background.u_sccm,
        pressure_u_pa=file.transducer.u_pa,
        thermal_time_constant_s=file.heat.time_constant_s,
        thermal_time_constant_u_s=file.heat.u_s,
        response_s=file.transducer.response_ms * 1e-3,
        limit_sccm=limit_sccm,
        ambient_drift_k_s=drift_k_s,
        ambient_drift_u_k_s=drift_u_k_s,
        **vapour_odds(rest, (drift_k_s, drift_u_k_s)),
    )
    result = analyse_hold(recording.time_s, pressure_pa, **told)
    if not quick:
        run.held = HoldRecord(recording.time_s, pressure_pa, told)
    learn_of_vapour(run, result, rest, (drift_k_s, drift_u_k_s), hold_s)
    run.thermal_time_constant_s = result.thermal_time_constant_s
    run.thermal_time_constant_u_s = result.thermal_time_constant_s_u
    short_of = (
        (f"the pump reached {reached_pa / 1000:.1f} kPa of vacuum instead of {run.hold_vacuum_pa / 1000:.0f} kPa",)
        if reached_pa < run.hold_vacuum_pa
        else ()
    )
    leak = _leak(result, recording)
    if run.rises_at_rest and result.explanation not in ("wet", "undecided"):
        leak = beside_vapour(leak, rest, file.reservoir.volume_m3, limit_sccm)
    return StepOutput(
        characteristics=(_at_full_vacuum(run, leak, reached_pa, limit_sccm),),
        traces=(_trace(recording, result),),
        readings={
            "vacuum reached": (reached_pa / 1000, "kPa"),
            "vacuum left": (run.vacuum_pa / 1000, "kPa"),
            "drift of the room": (60 * drift_k_s, "K/min"),
            **({} if rest is None else {"rise at rest before pumping": (rest.rise_pa, "Pa")}),
            **_extras(result),
        },
        notes=(*short_of, *result.notes),
    )


def _at_full_vacuum(run: Context, leak: Characteristic, reached_pa: float, limit_sccm: float | None) -> Characteristic:
    """A leak at less vacuum than the limit is meant for can fail that limit, but it cannot pass it."""
    if reached_pa >= ENOUGH_VACUUM * run.hold_vacuum_pa or leak.value is None:
        return leak
    if limit_sccm is not None and leak.value > limit_sccm:
        return leak
    return not_measured(
        NAME,
        UNIT,
        f"only {reached_pa / 1000:.1f} kPa of the {run.hold_vacuum_pa / 1000:.0f} kPa of vacuum could be drawn "
        f"({leak.value:.2f} sccm there): look at the pump, the isolation valve K4 and the joints",
    )


def _leak(result: HoldResult, recording: Recording) -> Characteristic:
    if result.explanation == "changing":
        return not_measured(
            NAME,
            UNIT,
            "no steady leak explains the rise of pressure, with vapour or without: look at hoses and joints for a leak "
            "that comes and goes, at vent K5 and reference valve K6, at the transducer, then measure again",
        )
    return Characteristic(
        NAME,
        result.hold_leak_sccm,
        result.hold_leak_sccm_u,
        UNIT,
        how=f"rise of pressure over {recording.time_s[-1]:.0f} s, thermal recovery fitted, background leak subtracted",
        bound=result.bound,
        why_not="" if result.hold_leak_sccm is not None else "; ".join(result.notes),
        parts=tuple(result.parts),
    )


def _trace(recording: Recording, result: HoldResult) -> Trace:
    fit = Curve("fit", result.fit_time_s, result.fit_pressure_pa)
    return Trace("hold", recording.time_s, recording.columns, curves=(("pressure_pa", fit),) if len(fit.time_s) else ())


def _extras(result: HoldResult) -> dict[str, tuple[float, str]]:
    extras = {
        "rise of pressure": (result.pressure_rate_pa_s, "Pa/s"),
        "same leak through a sharp hole of": (result.equivalent_orifice_mm, "mm"),
        "heat recovery time constant": (result.thermal_time_constant_s, "s"),
        "rise beside it that levels off": (result.vapour_pa, "Pa"),
        "time constant of that rise": (result.vapour_time_constant_s, "s"),
    }
    return {label: (value, unit) for label, (value, unit) in extras.items() if value is not None}
