"""Strangers' fills: a reservoir under vacuum that fills through the valve under test, and what the bench tells of it.

Truth: C and b of the opening as it was made, the flow of this opening from ambient into the rated vacuum, and the time
from the change of state to the first inflow. Classes that keep to `analyse_flow`'s docstring: a bare reservoir with
walls at ambient temperature, whose heat conductance is a constant and a part that grows with a power of the inflow; an
opening as near to ISO 6358-1 with index 0.5 as seat and port in series are, or on it where a class says so, fully open
within 8 ms; a first-order transducer; stated uncertainties that are true.

What a budget claims to cover is drawn here, or nobody would know whether it does: openings that are no ellipses, a
transducer's time constant that is known to 7 % (`RESPONSE_U`; judgement), valves that open evenly or as their armature
gathers speed, powers of the inflow from 0.6 to 1 (pipes 0.8, jets 0.67, in proportion 1; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from stranger_case import Stranger
from stranger_instruments import Instrument, drawn, log_uniform, recorded
from stranger_opening import opening_course, ratio_of, seat_and_port
from stranger_vessel import (
    C_V,
    CV_FUEL,
    R_AIR,
    R_FUEL,
    RHO_ANR,
    T_ANR,
    Course,
    Curve,
    InTime,
    Opening,
    State,
    Vessel,
    Walls,
    always,
    choked_kg_s,
    filled,
    iso,
    run,
    thick_wall,
)

Rng = np.random.Generator
Alter = Callable[[np.ndarray, np.ndarray, Course], tuple[np.ndarray, np.ndarray]]
RESPONSE_U = 0.07
"""What is not known of the time constant that the bench file states, as part of it (judgement)."""
PORT, SHARPEST = (0.7, 4.0), 0.3
"""Area of the port over that of the seat, and how sharp the edges of both are at most: rubber on a rounded rim is a
third of a sharp edge (judgement). C at the start of a fill then is up to 1.5 % less than where it is measured."""


@dataclass(frozen=True)
class Flow:
    """One fill. `rate` in 1/s: choked rise of an isothermal reservoir over ambient pressure; sets C."""

    instrument: Instrument
    litres: float
    ambient_pa: float
    ambient_k: float
    vacuum_pa: float
    recovery_s: float
    mixing_w_k: float
    rate: float
    b: float
    delay_s: float
    ramp_s: float
    seconds: float
    lead_s: float
    rated_vacuum_pa: float
    start_u_k: float
    curve: Curve | None = None
    opening_power: float = 1.0
    inflow_power: float = 1.0
    start_off_k: float | None = None
    tell_mixing: bool = True
    tell_recovery: bool = True
    volume_u: float = 0.005
    ambient_u_k: float = 0.5
    area: InTime | None = None
    """Open part of the area from time; instead of delay and ramp (which remain the truth of the delay)."""
    breaks: tuple[float, ...] = ()
    others: tuple[Opening, ...] = ()
    pump_m3_s: InTime = field(default=always(0.0))
    wall_off_k: float = 0.0
    heat: Callable[[float, float, float, float, float], float] | None = None
    """Relative to the constant conductance: (t, gas, wall, pressure over pressure at start, inflow in g/s)."""
    liner: tuple[float, float] | None = None
    effusivity: float = 0.0
    vapour_pa: float = 0.0
    vapour_s: float = 1.0
    hose_part: float = 0.0
    hose_over_c: float = 3.0

    @property
    def start_pa(self) -> float:
        return self.ambient_pa - self.vacuum_pa

    @property
    def c(self) -> float:
        """Sonic conductance, dm3/(s bar)."""
        return self.rate * self.litres * 1e-3 / (1e-8 * RHO_ANR * R_AIR * T_ANR)

    @property
    def share(self) -> Curve:
        return self.curve or iso(self.b)

    @property
    def course(self) -> InTime:
        """Open part of the area from time."""
        return self.area or opening_course(self.delay_s, self.ramp_s, self.opening_power)

    @property
    def conductance(self) -> float:
        """Heat conductance without inflow, W/K."""
        return C_V * self.start_pa * self.litres * 1e-3 / R_AIR / self.ambient_k / self.recovery_s


def population(
    rng: Rng,
    rate: tuple[float, float] = (0.15, 2.2),
    litres: tuple[float, float] = (0.1, 2.0),
    b: tuple[float, float] | None = None,
    noise_pa: tuple[float, float] = (2.0, 40.0),
    delay_s: tuple[float, float] = (0.002, 0.06),
    rate_hz: tuple[float, float] = (500.0, 10_000.0),
) -> Flow:
    """A fill as a workshop could make it; C between 0.02 and 2 dm3/(s bar). `b`: through an opening on the ellipse."""
    while True:
        speed, volume = log_uniform(rng, *rate), log_uniform(rng, *litres)
        if 0.02 < speed * volume < 2.0:
            break
    seconds = 1.6 / speed + float(rng.uniform(3.0, 8.0))
    instrument = drawn(rng, rate_hz, noise_pa)
    instrument = replace(instrument, rate_hz=max(500, min(instrument.rate_hz, round(40_000 / seconds))))
    ambient_pa = float(rng.uniform(85e3, 105e3))
    vacuum_pa = float(rng.uniform(0.5, 0.75)) * ambient_pa
    ambient_k = 273.15 + float(rng.uniform(5, 40))
    curve = None if b else seat_and_port(log_uniform(rng, *PORT), float(rng.uniform(0.0, SHARPEST)))
    return Flow(
        instrument=instrument,
        litres=volume,
        ambient_pa=ambient_pa,
        ambient_k=ambient_k,
        vacuum_pa=vacuum_pa,
        recovery_s=float(rng.uniform(0.6, 4.0)),
        mixing_w_k=log_uniform(rng, 0.6, 4.0),
        rate=speed,
        b=float(rng.uniform(*b)) if b else ratio_of(curve),
        curve=curve,
        delay_s=float(rng.uniform(*delay_s)),
        ramp_s=float(rng.uniform(0.0005, 0.008)),
        opening_power=float(rng.uniform(1.0, 2.0)),
        inflow_power=float(rng.uniform(0.6, 1.0)),
        seconds=seconds,
        lead_s=float(rng.uniform(0.1, 0.5)),
        rated_vacuum_pa=float(rng.uniform(0.15, 0.6)) * ambient_pa,
        start_u_k=float(rng.uniform(0.3, 1.5)),
        volume_u=float(rng.uniform(0.002, 0.01)),
        ambient_u_k=float(rng.uniform(0.2, 1.0)),
    )


def vessel_of(flow: Flow) -> Vessel:
    volume, g0 = flow.litres * 1e-3, flow.conductance
    outside = always(flow.ambient_k + flow.wall_off_k)

    def conductance(t: float, gas: float, wall: float, p: float, inflow: float) -> float:
        if flow.heat:
            return g0 * flow.heat(t, gas, wall, p / flow.start_pa, inflow * 1e3)
        return g0 + flow.mixing_w_k * (inflow * 1e3) ** flow.inflow_power

    walls = Walls(conductance, outside)
    if flow.liner:
        over_gas, seconds = flow.liner
        capacity = over_gas * g0 * flow.recovery_s
        walls = replace(walls, capacities=(capacity,), links=(capacity / seconds,))
    elif flow.effusivity:
        capacities, links = thick_wall(0.065 * flow.litres ** (2 / 3), flow.effusivity, 30.0)
        walls = replace(walls, capacities=capacities, links=links)
    area = flow.course
    choked = choked_kg_s(flow.c, flow.ambient_pa, flow.ambient_k)

    def valve(t: float, p: float) -> float:
        if p > flow.ambient_pa:
            return -choked * area(t) * flow.share(flow.ambient_pa / p) * p / flow.ambient_pa
        return choked * area(t) * flow.share(p / flow.ambient_pa)

    return Vessel(
        volume_m3=volume * (1 - flow.hose_part),
        walls=walls,
        openings=[valve, *flow.others],
        ambient_k=always(flow.ambient_k),
        pump_m3_s=flow.pump_m3_s,
        vapour_pa=flow.vapour_pa,
        vapour_s=flow.vapour_s,
        hose_m3=volume * flow.hose_part,
        hose_c=flow.hose_over_c * flow.c,
    )


def course_of(flow: Flow, start_off_k: float) -> Course:
    vessel = vessel_of(flow)
    began = -flow.lead_s - 0.2
    # so that the gas is off by this much when the fill begins
    off = start_off_k * float(np.exp(-began / flow.recovery_s)) if abs(start_off_k) < 5 else start_off_k
    pressure = flow.start_pa * (flow.ambient_k + off) / (flow.ambient_k + start_off_k)
    breaks = (flow.delay_s, flow.delay_s + flow.ramp_s, *flow.breaks)
    start = filled(vessel, began, pressure, flow.ambient_k + off)
    if flow.vapour_pa:
        start = with_vapour(vessel, start)
    return run(vessel, start, flow.seconds + 0.1, breaks, longest_step_s=0.2)


def with_vapour(vessel: Vessel, start: State) -> State:
    """Half the vapour that there can be is there already, in place of air."""
    y = start.values.copy()
    gas_k = y[1] / y[0] / C_V
    y[2] = 0.5 * vessel.vapour_pa * vessel.volume_m3 / R_FUEL / gas_k
    y[0] -= y[2] * R_FUEL / R_AIR
    y[1] = (y[0] * C_V + y[2] * CV_FUEL) * gas_k
    return replace(start, values=y)


def told_of(rng: Rng, flow: Flow) -> dict[str, Any]:
    volume = flow.litres * 1e-3
    told: dict[str, Any] = {
        "volume_m3": volume * (1 + flow.volume_u * rng.standard_normal()),
        "volume_u_m3": volume * flow.volume_u,
        "ambient_pa": flow.instrument.shown(flow.ambient_pa),
        "ambient_k": flow.ambient_k + flow.ambient_u_k * rng.standard_normal(),
        "ambient_u_k": flow.ambient_u_k,
        "rated_vacuum_pa": flow.rated_vacuum_pa,
        "start_u_k": flow.start_u_k,
        "response_s": flow.instrument.lag_s * (1 + RESPONSE_U * rng.standard_normal()),
        "pressure_u_pa": 50.0,
    }
    if flow.tell_recovery:
        u = 0.06 * flow.recovery_s
        told["thermal_time_constant_s"] = max(0.05, flow.recovery_s + u * rng.standard_normal())
        told["thermal_time_constant_u_s"] = u
    if flow.tell_mixing:
        u = float(rng.uniform(0.04, 0.2)) * flow.mixing_w_k
        told["inflow_w_k"] = max(0.05, flow.mixing_w_k + u * rng.standard_normal())
        told["inflow_u_w_k"] = u
    return told


def truth_of(flow: Flow) -> dict[str, float | bool | None]:
    rated = flow.share(1 - flow.rated_vacuum_pa / flow.ambient_pa)
    kg_s = choked_kg_s(flow.c, flow.ambient_pa, flow.ambient_k) * rated
    return {
        "sonic_conductance_dm3_s_bar": flow.c,
        "critical_pressure_ratio": flow.b,
        "flow_at_rated_vacuum_lpm_anr": kg_s / RHO_ANR * 60_000,
        "opening_delay_ms": flow.delay_s * 1e3,
        "opened": True,
    }


def made(
    rng: Rng,
    flow: Flow,
    alter: Alter | None = None,
    told_otherwise: dict[str, Any] | None = None,
    **true_otherwise: float | bool | None,
) -> Stranger:
    """The trace. `alter`: what befalls the record. `true_otherwise`: truths that differ; `...` drops one."""
    off = flow.start_u_k * rng.standard_normal() if flow.start_off_k is None else flow.start_off_k
    flow = replace(flow, instrument=replace(flow.instrument, offset_pa=50.0 * rng.standard_normal()))
    course = course_of(flow, off)
    told = {**told_of(rng, flow), **(told_otherwise or {})}
    t, p = recorded(rng, flow.instrument, course.pressure, -flow.lead_s, flow.seconds)
    if alter:
        t, p = alter(t, p, course)
    true = {**truth_of(flow), **true_otherwise}
    return Stranger(t, p, told, {k: v for k, v in true.items() if v is not ...})
