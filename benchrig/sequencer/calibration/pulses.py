"""Heat transfer by the inflow, and the transducer's response: openings that open onto a vacuum and shut at once."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TypeVar

import numpy as np

from benchrig.analysis.calibration.inflow import InflowHeat, InflowSetting, Pulse, inflow_heat
from benchrig.analysis.calibration.response import DEPARTS, transducer_response_s
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.uncertainty_budget import Quantity, rectangular
from benchrig.bench.bench import Bench, Recording
from benchrig.bench.calibrations import Constant
from benchrig.bench.wiring import AT_REST, closed_up
from benchrig.drivers.relay_board import Channel, Output
from benchrig.errors import BenchError
from benchrig.sequencer.calibration.calibration_output import CalibrationOutput, Method
from benchrig.sequencer.calibration.electric import COIL_LIMIT_S
from benchrig.sequencer.calibration.gas import REST_S, VENT_S, open_air_pa, to_hold_vacuum
from benchrig.sequencer.check.vacuum import hold_for, pump_to
from benchrig.sequencer.operator import Fitting, Operator, put_on

__all__ = ["METHODS", "inflow", "response"]

T = TypeVar("T")

PERIOD_S, LEAD_IN = 0.0002, 500
AFTERWARDS_S = 0.35
STILL_S = 25.0
"""Six time constants of the gas at 70 kPa."""
FIRST_VALVE_S, FIRST_VENT_S = 0.15, 0.010
SMALL_RISE_PA, LARGE_RISE_PA = 16_000.0, 36_000.0
LEAST_RISE_PA = 3_000.0
LONGEST_S = 1.5
TRIES = 4
SHUT_PA, SHUT_S = 10_000.0, 3.0
"""A pump draws this on a shut port in a second, and on an open valve never."""
VALVE_COIL_LIMIT_S = 120.0
"""A normally open valve is energised through a pump-down and two pulses with their rests."""
RESPONSE_TIMES, PAUSE_S = 6, 1.0
POWER_LEAST, POWER_MOST = 0.4, 1.3
"""What a turbulent inflow can do to a heat transfer lies well between (engineering judgement)."""

LOOK = (
    "Is the valve dry and tight, and does it open and shut at once? Take one that passed its tests. Then the volume in "
    "the bench file: 'benchrig bench calibrate volume'."
)

VALVE, VENT = "valve", "vent K5"


def _opened(opening: str, coil: bool) -> frozenset[Output]:
    """The outputs with one of the two open, where the coil shuts the valve (`coil`) or opens it."""
    if opening == VALVE:
        return closed_up(coil=not coil)
    return frozenset({Output.COIL}) if coil else AT_REST


def _quick(bench: Bench, opening: str, coil: bool, seconds: float) -> tuple[Recording, float]:
    """Open for so long; return the record and by how much the pressure rose at most."""
    opened = round(seconds / PERIOD_S)
    quick = bench.record(
        (Channel.PRESSURE,),
        period_s=PERIOD_S,
        samples=LEAD_IN + opened + round(AFTERWARDS_S / PERIOD_S),
        switch_at=LEAD_IN,
        switch_to=_opened(opening, coil),
        release_at=LEAD_IN + opened,
        release_to=closed_up(coil=coil),
    )
    shown = quick.columns["pressure_pa"]
    before_pa = float(shown[quick.time_s < 0].mean())
    return quick, float(np.convolve(shown, np.ones(10) / 10, mode="valid").max()) - before_pa


def _pulse(
    bench: Bench, operator: Operator, opening: str, coil: bool, seconds: float, *, fell: bool = False
) -> tuple[Pulse, float]:
    """Open for so long, and follow the gas to rest; return the pulse and by how much the pressure rose at most."""
    quick, rose_pa = _quick(bench, opening, coil, seconds)
    ended_s = bench.clock.now()
    slow = hold_for(bench, operator, STILL_S, "coming to rest", pump_was_on=False)
    began_s = bench.clock.now() - float(slow.time_s[-1])
    late_s = float(quick.time_s[-1]) + max(began_s - ended_s, 0.0) + slow.time_s
    return Pulse(
        opening, quick.time_s, quick.columns["pressure_pa"], late_s, slow.columns["pressure_pa"], fell
    ), rose_pa


def _first_pulse(pulse: Callable[[float], tuple[T, float]], opening: str, seconds: float) -> tuple[T, float, float]:
    """Lengthen a pulse until it lets enough in; return it, its rise and its length.

    Raises
    ------
    BenchError
        Nothing comes through.
    """
    for _ in range(TRIES):
        found, rose_pa = pulse(seconds)
        if rose_pa >= LEAST_RISE_PA:
            return found, rose_pa, seconds
        seconds *= 2
    look = "Is it plugged in, and does it open?" if opening == VALVE else "Does the vent valve K5 open?"
    raise BenchError(
        f"The {opening} was opened for up to {1e3 * seconds / 2:.0f} ms, and the pressure rose by {rose_pa:.0f} Pa.",
        hint=f"{look} Then 'benchrig bench check'.",
    )


def _rested(bench: Bench, operator: Operator, air_pa: float, coil: bool) -> None:
    bench.switch(AT_REST)
    bench.wait(VENT_S)
    to_hold_vacuum(bench, operator, air_pa, coil=coil)
    hold_for(bench, operator, REST_S, "coming to rest", coil=coil)


def _shut_by_its_coil(bench: Bench, operator: Operator, air_pa: float) -> bool:
    """Whether the pump draws no vacuum on the valve at rest: it is then taken to be normally open."""
    _, reached_pa = pump_to(bench, operator, air_pa, SHUT_PA, SHUT_S)
    return air_pa - reached_pa < SHUT_PA


def inflow(bench: Bench, operator: Operator) -> CalibrationOutput:
    """What an inflow adds to the heat conductance between gas and wall: short fills through a valve and the vent."""
    file = bench.file
    put_on(bench, operator, Fitting.SOUND_VALVE, VALVE_COIL_LIMIT_S)
    air_pa, ambient_k = open_air_pa(bench), bench.ambient_k()
    coil = _shut_by_its_coil(bench, operator, air_pa)
    pulses: list[Pulse] = []
    for opening, first_s in ((VALVE, FIRST_VALVE_S), (VENT, FIRST_VENT_S)):
        _rested(bench, operator, air_pa, coil)
        through = partial(_pulse, bench, operator, opening, coil)
        pulse, rose_pa, seconds = _first_pulse(through, opening, first_s)
        pulses.append(pulse)
        pulses.append(through(min(LONGEST_S, seconds * SMALL_RISE_PA / rose_pa), fell=True)[0])
        _rested(bench, operator, air_pa, coil)
        pulses.append(through(min(LONGEST_S, seconds * LARGE_RISE_PA / rose_pa))[0])
    bench.make_safe()  # the analysis takes longer than the board waits
    through_vent = [(each.time_s, each.pressure_pa) for each in pulses if each.opening == VENT]
    response, _ = transducer_response_s(through_vent, file.transducer.response_ms * 1e-3)
    reservoir, transducer = file.reservoir, file.transducer
    setting = InflowSetting(
        Quantity("volume", reservoir.volume_m3, reservoir.volume_u_m3),
        ambient_k,
        Quantity("response", response.value, response.u),
        Quantity("zero", 0.0, transducer.u_pa),
        Quantity("hysteresis", transducer.hysteresis_pa, rectangular(transducer.hysteresis_pa)),
    )
    found = inflow_heat(pulses, setting)
    if not POWER_LEAST <= found.power <= POWER_MOST:
        raise BenchError(
            f"The heat conductance comes out as growing with the power {found.power:.2f} of the inflow; "
            f"{POWER_LEAST:g} to {POWER_MOST:g} is possible.",
            hint="Is the volume in the bench file right ('benchrig bench calibrate volume')? Does the valve leak? "
            "Is the transducer's response in the bench file right ('benchrig bench calibrate response')?",
        )
    return _found(found, len(pulses))


def _found(found: InflowHeat, pulses: int) -> CalibrationOutput:
    least, most = found.flows_g_s
    notes: tuple[str, ...] = ()
    if found.widening > 2:
        notes = (f"the pulses disagree {found.widening:.1f} times more than they should: the uncertainty covers it",)
    return CalibrationOutput(
        (
            Constant("heat inflow_w_k", found.inflow_w_k, found.inflow_w_k_u, "W/K"),
            Constant("heat inflow_power", found.power, found.power_u, ""),
        ),
        (),
        f"{pulses} short fills of {least:.2g} to {most:.2g} g/s through a valve and the vent K5: the pressure at which "
        "the flow ended and the one at rest tell the heat that the walls took",
        found.parts,
        notes,
    )


def response(bench: Bench, operator: Operator) -> CalibrationOutput:
    """Time constant of the transducer: the vent opened onto the vacuum and shut again at once, a few times."""
    put_on(bench, operator, Fitting.BLIND, COIL_LIMIT_S)
    air_pa = open_air_pa(bench)
    fills: list[tuple[Samples, Samples]] = []
    seconds = FIRST_VENT_S
    for number in range(RESPONSE_TIMES):
        if number % 2 == 0:  # each fill takes a good third of the vacuum
            bench.switch(AT_REST)
            bench.wait(VENT_S)
            to_hold_vacuum(bench, operator, air_pa)
            bench.switch(closed_up(coil=False))
            bench.wait(PAUSE_S)
        if not fills:
            quick, _, seconds = _first_pulse(partial(_quick, bench, VENT, False), VENT, seconds)
        else:
            quick, _ = _quick(bench, VENT, False, seconds)
            bench.wait(PAUSE_S)
        operator.doing("opening the vent", number + 1.0, float(RESPONSE_TIMES), f"{number + 1} of {RESPONSE_TIMES}")
        fills.append((quick.time_s, quick.columns["pressure_pa"]))
    bench.make_safe()  # the analysis takes longer than the board waits
    budget, departs = transducer_response_s(fills, bench.file.transducer.response_ms * 1e-3)
    if departs > DEPARTS:
        raise BenchError(
            f"The pressure does not follow the vent as a transducer with one time constant would: {departs:.1f} times "
            "the noise.",
            hint="Is the transducer's hose long, kinked or blocked? Does the vent valve K5 open and shut at once?",
        )
    return CalibrationOutput(
        (Constant("transducer response_ms", 1e3 * budget.value, 1e3 * budget.u, "ms"),),
        (),
        f"{RESPONSE_TIMES} openings of the vent K5 onto the vacuum, for {1e3 * seconds:.0f} ms",
        tuple((name, 1e3 * u) for name, u in budget.parts),
    )


METHODS = (
    Method("inflow", "pulses", "Heat transfer by the inflow, by short fills", (), inflow, LOOK),
    Method("response", "vent", "Transducer's response, by the vent", (), response),
)
