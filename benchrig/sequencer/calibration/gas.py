"""Reservoir volume, heat recovery and own leak: what needs a vacuum on a closed port."""

from __future__ import annotations

import math
import statistics

from benchrig.analysis.calibration.pressure import mean_of_repeats
from benchrig.analysis.calibration.volume import LEAST_STEP_PA, volume_by_expansion, volume_by_flow
from benchrig.analysis.leak.hold_vacuum import HoldResult, analyse_hold
from benchrig.analysis.statistics.uncertainty_budget import Quantity
from benchrig.bench.bench import Bench, Recording
from benchrig.bench.calibrations import Constant
from benchrig.bench.file import FlowTable, VesselTable
from benchrig.bench.wiring import AT_REST, closed_up
from benchrig.drivers.relay_board import Output
from benchrig.errors import BenchError
from benchrig.sequencer.calibration.calibration_output import CalibrationOutput, Method, reference, standard
from benchrig.sequencer.calibration.electric import COIL_LIMIT_S
from benchrig.sequencer.check.vacuum import flow_today_sccm, hold_for, pump_to
from benchrig.sequencer.let_down import stirring_of
from benchrig.sequencer.operator import Fitting, Operator, put_on

__all__ = [
    "METHODS",
    "background",
    "heat",
    "open_air_pa",
    "to_hold_vacuum",
    "volume_by_the_reference_leak",
    "volume_by_the_vessel",
]

REST_S = 20.0
"""Gas at 41 kPa is within a thousandth of its pump-down's chill after seven time constants."""
TAP_S = 60.0
"""So long the operator has to open the tap."""
JOINED_S = 45.0
"""More gas, and at a higher pressure, takes longer to come to rest: ten time constants of 4.6 s."""
UNLIKE_U_K = 0.2
"""Vessel, reservoir and their gas are at one temperature within this, standard uncertainty: engineering judgement, a
bench indoors. Pumping down cools the walls themselves by about a tenth of a kelvin."""
PLUGGED_ODDS = 1e-3
"""Odds of fuel vapour with the port plugged: only a hose could still hold some (engineering judgement)."""
LAST_S = 2.0
FLOW_S = 40.0
HEAT_S, HEAT_TIMES = 20.0, 3
BACKGROUND_S, BACKGROUND_TIMES = 45.0, 2
VENT_S = 3.0
AT_REST_S = 30.0
"""Air let into an emptied reservoir is warm, and at rest after five of its time constants at the pressure of the room.
A pump-down from before that ends less cold than those of valves that are fitted one after the other."""


def to_hold_vacuum(bench: Bench, operator: Operator, air_pa: float, *, coil: bool = False) -> list[tuple[float, float]]:
    """Draw down to the hold vacuum, or say that it cannot be done; the course: seconds and pressures, Pa."""
    course: list[tuple[float, float]] = []
    wanted_pa = bench.file.reservoir.hold_vacuum_kpa * 1000
    seconds, reached_pa = pump_to(bench, operator, air_pa, wanted_pa, bench.file.draw_limit_s, coil=coil, course=course)
    if air_pa - reached_pa < wanted_pa:
        raise BenchError(
            f"Only {(air_pa - reached_pa) / 1000:.1f} of {wanted_pa / 1000:.0f} kPa of vacuum after {seconds:.0f} s.",
            hint="Is the port closed? Then 'benchrig bench check', which looks at pump, valves and hoses.",
        )
    return course


def open_air_pa(bench: Bench) -> float:
    """Pressure with the vent open, as the transducer shows it, Pa."""
    bench.wait(1.0)
    return sum(bench.pressure_pa(200) for _ in range(5)) / 5


def _seen(bench: Bench, recording: Recording, air_pa: float, *, tau_known: bool) -> HoldResult:
    """The rise as the analysis sees it, without anything of the bench's own constants but the recovery's."""
    heat = bench.file.heat
    result = analyse_hold(
        recording.time_s,
        recording.columns["pressure_pa"],
        volume_m3=bench.file.reservoir.volume_m3,
        volume_u_m3=0.0,
        ambient_pa=air_pa,
        ambient_k=bench.ambient_k(),
        ambient_u_k=0.0,
        thermal_time_constant_s=heat.time_constant_s if tau_known else None,
        thermal_time_constant_u_s=heat.u_s if tau_known else None,
        response_s=bench.file.transducer.response_ms * 1e-3,
        vapour_odds=PLUGGED_ODDS,
    )
    if result.pressure_rate_pa_s is None or result.pressure_rate_pa_s_u is None or result.bound:
        raise BenchError(
            f"The pressure in the closed manifold could not be followed: {'; '.join(result.notes) or 'a gross leak'}.",
            hint="Is the port closed, are all joints tight? 'benchrig bench check' looks.",
        )
    return result


def _rise(name: str, result: HoldResult) -> Quantity:
    assert result.pressure_rate_pa_s is not None  # _seen refuses a result without
    assert result.pressure_rate_pa_s_u is not None
    return Quantity(name, result.pressure_rate_pa_s, result.pressure_rate_pa_s_u)


def _end(recording: Recording, seconds: float = LAST_S) -> Quantity:
    """Pressure in the middle of the last seconds of a record."""
    time_s, pressure_pa = recording.time_s, recording.columns["pressure_pa"]
    late = pressure_pa[time_s > time_s[-1] - seconds]
    return Quantity("pressure", float(late.mean()), float(late.std(ddof=1)) / math.sqrt(len(late)))


def volume_by_the_vessel(bench: Bench, operator: Operator) -> CalibrationOutput:
    """Let a known volume of room air into the evacuated reservoir."""
    file = bench.file
    vessel = standard(file, "known_volume", VesselTable)
    put_on(bench, operator, Fitting.VESSEL, COIL_LIMIT_S)
    air_pa = open_air_pa(bench)
    to_hold_vacuum(bench, operator, air_pa)
    resting = hold_for(bench, operator, REST_S, "coming to rest")
    rested_s = bench.clock.now()
    before, leak = _end(resting), _rise("own leak", _seen(bench, resting, air_pa, tau_known=True))
    bench.feed()  # the analysis took its time
    operator.now(Fitting.VESSEL)
    asked_s = bench.clock.now()
    while bench.pressure_pa(20) < before.value + LEAST_STEP_PA:
        if bench.clock.now() - asked_s > TAP_S:
            raise BenchError(
                f"The pressure did not rise within {TAP_S:.0f} s: the known volume was not let in.",
                hint="Open the tap when told to. Is its hose on the port, is anything blocked?",
            )
        bench.wait(0.2)
    after = _end(hold_for(bench, operator, JOINED_S, "coming to rest", pump_was_on=False))
    joined_s = bench.clock.now()
    bench.switch(AT_REST)
    # The bench's own leak goes on between the readings: into the reservoir, then into both. Counted as if into both all
    # the time, since what leaked in before the tap was opened is shared out too.
    share = file.reservoir.volume_l / (file.reservoir.volume_l + vessel.volume_l)
    leaking_s = share * (joined_s - rested_s)
    known_u = vessel.volume_l * vessel.u_relative
    budget = volume_by_expansion(
        Quantity("pressure before", before.value, before.u),
        Quantity("pressure after", after.value - leak.value * leaking_s, math.hypot(after.u, leak.u * leaking_s)),
        Quantity("pressure let in", air_pa, 10.0),
        Quantity("known volume", vessel.volume_l, known_u),
        Quantity("temperatures unlike", 0.0, UNLIKE_U_K),
        bench.ambient_k(),
    )
    return CalibrationOutput.of(
        "reservoir volume_l",
        "L",
        budget,
        (reference("known volume", file, "known_volume", vessel.volume_l, known_u, "L"),),
        f"{vessel.volume_l:g} L at {air_pa / 1000:.2f} kPa let into {before.value / 1000:.2f} kPa gave "
        f"{after.value / 1000:.2f} kPa (Boyle's law)",
    )


def volume_by_the_reference_leak(bench: Bench, operator: Operator) -> CalibrationOutput:
    """Compare the rise of pressure with and without the built-in reference leak (K6)."""
    file = bench.file
    flow = standard(file, "reference_leak", FlowTable)
    put_on(bench, operator, Fitting.BLIND, COIL_LIMIT_S)
    air_pa = open_air_pa(bench)
    to_hold_vacuum(bench, operator, air_pa)
    own = _seen(bench, hold_for(bench, operator, FLOW_S, "own leak"), air_pa, tau_known=True)
    bench.switch(closed_up(coil=False) | {Output.REFERENCE})
    bench.wait(0.5)
    recording = hold_for(bench, operator, FLOW_S, "reference leak", pump_was_on=False)
    bench.switch(AT_REST)
    both = _seen(bench, recording, air_pa, tau_known=True)
    today_sccm = flow_today_sccm(bench, flow, air_pa)
    u_sccm = math.hypot(flow.u_sccm, today_sccm * file.transducer.u_pa / air_pa)
    budget = volume_by_flow(
        _rise("rise with the reference leak", both),
        _rise("rise without", own),
        Quantity("reference leak", today_sccm, u_sccm),
        Quantity("ambient temperature", bench.ambient_k(), file.thermistor.u_k),
        float(recording.columns["pressure_pa"][-20:].mean()) / air_pa,
    )
    return CalibrationOutput.of(
        "reservoir volume_l",
        "L",
        budget,
        (reference("reference leak", file, "reference_leak", flow.sccm, flow.u_sccm, "sccm"),),
        f"rise of pressure with the reference leak ({today_sccm:.3f} sccm today) less the rise without it",
    )


def heat(bench: Bench, operator: Operator) -> CalibrationOutput:
    """How fast the gas takes the walls' temperature after pump-down: a few recoveries."""
    put_on(bench, operator, Fitting.BLIND, COIL_LIMIT_S)
    air_pa = open_air_pa(bench)
    taus, spreads = [], []
    chills, chill_spreads = [], []
    stirred: list[float | None] = []
    for number in range(HEAT_TIMES):
        if number:
            bench.switch(AT_REST)
            bench.wait(AT_REST_S)
        course = to_hold_vacuum(bench, operator, air_pa)
        recording = hold_for(bench, operator, HEAT_S, f"recovery {number + 1}")
        seen = _seen(bench, recording, air_pa, tau_known=False)
        if seen.thermal_time_constant_s is None or seen.thermal_time_constant_s_u is None:
            raise BenchError(
                f"A hold of {HEAT_S:.0f} s does not tell how fast the gas takes the walls' temperature: too slow, or a "
                "leak hides it.",
                hint="Are all joints tight ('benchrig bench check')? Is the reservoir metal, without a liner? The "
                "bench file's own time constant goes on to count.",
            )
        taus.append(seen.thermal_time_constant_s)
        assert seen.chill_k is not None  # there whenever the time constant is
        assert seen.chill_k_u is not None
        spreads.append(seen.thermal_time_constant_s_u)
        chills.append(seen.chill_k)
        chill_spreads.append(seen.chill_k_u)
        stirred.append(stirring_of(bench, course, recording, seen.chill_k, seen.thermal_time_constant_s))
    bench.switch(AT_REST)
    budget = mean_of_repeats("time constant", taus, spreads)
    chill = mean_of_repeats("chill", chills, chill_spreads)
    vacuum_kpa = bench.file.reservoir.hold_vacuum_kpa
    return CalibrationOutput(
        (
            Constant("heat time_constant_s", budget.value, budget.u, "s"),
            Constant("heat chill_k", chill.value, chill.u, "K"),
            *_outflow(stirred),
        ),
        (),
        f"{HEAT_TIMES} recoveries of {HEAT_S:.0f} s after pumping to {vacuum_kpa:g} kPa of vacuum",
        budget.parts,
    )


def _outflow(found: list[float | None]) -> tuple[Constant, ...]:
    """What the gas's flow into a vacuum tank adds to the heat conductance, where each let-down told it."""
    told = [each for each in found if each is not None]
    if len(told) < len(found):
        return ()
    mean = statistics.fmean(told)
    return (Constant("heat outflow_w_k", mean, statistics.stdev(told) / math.sqrt(len(told)), "W/K"),)


def background(bench: Bench, operator: Operator) -> CalibrationOutput:
    """What the closed bench leaks by itself."""
    file = bench.file
    put_on(bench, operator, Fitting.BLIND, COIL_LIMIT_S)
    air_pa = open_air_pa(bench)
    leaks, spreads = [], []
    for number in range(BACKGROUND_TIMES):
        if number:
            bench.switch(AT_REST)
            bench.wait(VENT_S)
        to_hold_vacuum(bench, operator, air_pa)
        seen = _seen(bench, hold_for(bench, operator, BACKGROUND_S, f"own leak {number + 1}"), air_pa, tau_known=True)
        assert seen.hold_leak_sccm is not None  # _seen refuses a result without
        assert seen.hold_leak_sccm_u is not None
        leaks.append(seen.hold_leak_sccm)
        spreads.append(math.hypot(seen.hold_leak_sccm_u, seen.hold_leak_sccm * file.reservoir.u_relative))
    bench.switch(AT_REST)
    budget = mean_of_repeats("own leak", leaks, spreads)
    how = f"{BACKGROUND_TIMES} holds of {BACKGROUND_S:.0f} s on a blind plug"
    if budget.value >= 0:
        return CalibrationOutput.of("background leak_sccm", "sccm", budget, (), how)
    found = CalibrationOutput.of("background leak_sccm", "sccm", budget, (), how)
    constant = found.constants[0]
    kept = type(constant)(constant.name, 0.0, math.hypot(constant.u, constant.value), constant.unit)
    return CalibrationOutput(
        (kept,), (), how, found.parts, ("the leak came out below zero by noise and is taken as none",)
    )


METHODS = (
    Method("volume", "vessel", "Reservoir volume, by a known volume", ("known_volume",), volume_by_the_vessel),
    Method(
        "volume", "leak", "Reservoir volume, by the reference leak", ("reference_leak",), volume_by_the_reference_leak
    ),
    Method("heat", "recovery", "Heat recovery, by the gas itself", (), heat),
    Method("background", "hold", "The bench's own leak, on a blind plug", (), background),
)
