"""Strangers' traces of a hold: a workshop's reservoir pumped down through a valve that leaks, shut off, and watched.

`CLASSES` is what the study runs. Truth of `hold_leak_sccm`: what flows in through the valve just after shutting off.
Where a record has no one leak the truth is None. Classes that keep to `analyse_hold`'s docstring: lumped heat exchange
with walls at ambient temperature, a leak after ISO 6358-1, a linear transducer, stated uncertainties that are true.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from stranger_case import Stranger
from stranger_instruments import Instrument, drawn, log_uniform, recorded
from stranger_vessel import (
    C_V,
    KG_S_PER_SCCM,
    R_AIR,
    Course,
    Curve,
    InTime,
    Opening,
    Vessel,
    Walls,
    always,
    filled,
    iso,
    joined,
    run,
    thick_wall,
)

Rng = np.random.Generator


@dataclass(frozen=True)
class Hold:
    """One hold: `make` turns it into a trace. Changed by the classes with `replace`."""

    instrument: Instrument
    litres: float
    ambient_pa: float
    ambient_k: float
    vacuum_pa: float
    pump_down_s: float
    recovery_s: float
    leak_sccm: float
    seconds: float
    lead_s: float = 0.0
    curve: Curve = field(default=iso(0.4))
    background_sccm: float = 0.0
    volume_u: float = 0.005
    ambient_u_k: float = 0.5
    tell_recovery: bool = False
    wander_k_s: float = 0.0
    """How fast the walls warm up with a room as steady as the docstring of `analyse_hold` takes it to be."""
    watched: tuple[float, float] | None = None
    """What a thermistor in that room showed, K/s, and its standard uncertainty, where somebody looked."""
    leak_in_time: InTime = field(default=always(1.0))
    room_drift: InTime = field(default=always(0.0))
    wall_drift: InTime = field(default=always(0.0))
    pump_after: InTime = field(default=always(0.0))
    breaks: tuple[float, ...] = ()
    vapour_pa: float = 0.0
    vapour_s: float = 1.0
    outgassing_kg_s: float = 0.0
    liner: tuple[float, float, float] | None = None
    effusivity: float = 0.0
    free_convection: bool = False
    hose_part: float = 0.0
    hose_c: float = 0.0
    leak_shape: Callable[[float], float] | None = None
    """Leak relative to the one at the held vacuum, by the vacuum in Pa: instead of `curve`."""

    @property
    def held_pa(self) -> float:
        return self.ambient_pa - self.vacuum_pa


def population(
    rng: Rng,
    leak: tuple[float, float] = (0.05, 20.0),
    seconds: tuple[float, float] = (8.0, 60.0),
    litres: tuple[float, float] = (0.1, 2.0),
    recovery: tuple[float, float] = (0.6, 4.0),
    rate_hz: tuple[float, float] = (50.0, 2000.0),
    noise_pa: tuple[float, float] = (2.0, 40.0),
) -> Hold:
    """A hold as a workshop could make it. The leak at most empties half the vacuum's room within the record."""
    instrument = drawn(rng, rate_hz, noise_pa)
    long = log_uniform(rng, *seconds)
    instrument = replace(instrument, rate_hz=min(instrument.rate_hz, round(60_000 / long)))
    ambient_pa = float(rng.uniform(85e3, 105e3))
    wander_k_s, watched = wandering(rng)
    return Hold(
        wander_k_s=wander_k_s,
        watched=watched,
        instrument=instrument,
        litres=log_uniform(rng, *litres),
        ambient_pa=ambient_pa,
        ambient_k=273.15 + float(rng.uniform(5, 40)),
        vacuum_pa=float(rng.uniform(20e3, 0.72 * ambient_pa)),
        pump_down_s=log_uniform(rng, 4.0, 30.0),
        recovery_s=float(rng.uniform(*recovery)),
        leak_sccm=log_uniform(rng, *leak),
        seconds=long,
        curve=iso(float(rng.uniform(0.15, 0.53))),
        lead_s=float(rng.choice([0.0, rng.uniform(0.1, 1.0)])),
        background_sccm=float(rng.uniform(0.0, 0.2)),
        volume_u=float(rng.uniform(0.002, 0.01)),
        ambient_u_k=float(rng.uniform(0.2, 1.0)),
        tell_recovery=bool(rng.random() < 0.5),
    )


def wandering(rng: Rng) -> tuple[float, tuple[float, float] | None]:
    """Drift of the walls, K/s, and what a thermistor in the room shows of it, if there is one.

    Nobody looks: the walls wander by 0.03 K/min. Somebody does: one room in ten is unquiet and drifts by 1 K/min, and
    the walls follow it by anything between not at all and wholly.
    """
    if rng.random() < 0.5:
        return 0.03 / 60 * rng.standard_normal(), None
    room = (1.0 if rng.random() < 0.1 else 0.03) / 60 * rng.standard_normal()
    shown_u = log_uniform(rng, 0.01, 0.1) / 60
    return room * rng.random(), (room + shown_u * rng.standard_normal(), shown_u)


def vessel_of(hold: Hold) -> tuple[Vessel, float]:
    """Vessel during the hold, and the valve's leak through it at the held pressure, kg/s."""
    volume = hold.litres * 1e-3
    room = lambda t: hold.ambient_k + hold.room_drift(t)  # noqa: E731
    outside = lambda t: room(t) + hold.wall_drift(t) + hold.wander_k_s * max(t, 0.0)  # noqa: E731
    g0 = C_V * hold.held_pa * volume / R_AIR / hold.ambient_k / hold.recovery_s
    if hold.free_convection:
        walls = Walls(lambda t, gas, wall, p, q: g0 * (0.05 + abs(gas - wall) / 5.0) ** 0.25, outside)
    elif hold.liner:
        capacity_over_gas, seconds, share = hold.liner
        capacity = capacity_over_gas * g0 * hold.recovery_s
        walls = Walls(lambda t, gas, wall, p, q: g0, outside, (capacity,), (capacity / seconds,), share)
    elif hold.effusivity:
        chain = thick_wall(0.065 * hold.litres ** (2 / 3) * 1.0, hold.effusivity, 60.0)
        walls = Walls(lambda t, gas, wall, p, q: g0, outside, *chain)
    else:
        walls = Walls(lambda t, gas, wall, p, q: g0, outside)
    ratio = hold.held_pa / hold.ambient_pa
    full = hold.leak_sccm * KG_S_PER_SCCM / (1.0 if hold.leak_shape else max(hold.curve(ratio), 1e-9))

    def leak(t: float, p: float) -> float:
        if p > hold.ambient_pa:  # gas that warms after a quick fill goes out again
            return -full * hold.leak_in_time(t) * hold.curve(hold.ambient_pa / p) * p / hold.ambient_pa
        shape = hold.leak_shape(hold.ambient_pa - p) if hold.leak_shape else hold.curve(p / hold.ambient_pa)
        return full * hold.leak_in_time(t) * shape * math.sqrt(hold.ambient_k / room(t))

    def background(t: float, p: float) -> float:
        return hold.background_sccm * KG_S_PER_SCCM * (1 - p / hold.ambient_pa) / (1 - ratio)

    openings: list[Opening] = [leak, background]
    gassing = lambda t: hold.outgassing_kg_s / max(t + 3.0, 0.5)  # noqa: E731
    return Vessel(
        volume_m3=volume * (1 - hold.hose_part),
        walls=walls,
        openings=openings,
        ambient_k=room,
        vapour_pa=hold.vapour_pa,
        vapour_s=hold.vapour_s,
        pump_m3_s=hold.pump_after,
        outgassing=gassing if hold.outgassing_kg_s else always(0.0),
        hose_m3=volume * hold.hose_part,
        hose_c=hold.hose_c,
    ), hold.leak_sccm * hold.leak_in_time(0.0)


def course_of(hold: Hold) -> Course:
    """Pump-down from ambient, then the hold, with time 0 when the isolation valve has shut."""
    vessel, _ = vessel_of(hold)
    volume = hold.litres * 1e-3
    everything = (hold.leak_sccm + hold.background_sccm) * KG_S_PER_SCCM
    against = 1.3 * everything * R_AIR * hold.ambient_k / hold.held_pa
    speed = volume * math.log(hold.ambient_pa / hold.held_pa) / hold.pump_down_s + against
    speed *= 1 + 2 * hold.vapour_pa / hold.held_pa
    start_s = -200.0
    for _ in range(8):
        pumping = replace(vessel, pump_m3_s=always(speed))
        down = run(pumping, filled(vessel, start_s, hold.ambient_pa, hold.ambient_k), 0.0, stop_below_pa=hold.held_pa)
        if down.end.time_s < 0:
            break
        speed *= 2  # a larger pump
    else:
        raise RuntimeError("no pump reaches the vacuum")
    took = down.end.time_s
    down = run(pumping, filled(vessel, start_s - took, hold.ambient_pa, hold.ambient_k), 0.0)
    hold_part = run(vessel, down.end, hold.seconds + 0.1, hold.breaks, longest_step_s=0.5)
    return joined(down, hold_part)


def told_of(rng: Rng, hold: Hold, course: Course) -> dict[str, Any]:
    volume = hold.litres * 1e-3
    background_u = 0.1 * hold.background_sccm + 0.005
    told: dict[str, Any] = {
        "volume_m3": volume * (1 + hold.volume_u * rng.standard_normal()),
        "volume_u_m3": volume * hold.volume_u,
        "ambient_pa": hold.instrument.shown(hold.ambient_pa),
        "ambient_k": hold.ambient_k + hold.ambient_u_k * rng.standard_normal(),
        "ambient_u_k": hold.ambient_u_k,
        "background_sccm": hold.background_sccm + background_u * rng.standard_normal(),
        "background_u_sccm": background_u,
        "pressure_u_rel": 0.002,
        "pressure_u_pa": 50.0,
        "response_s": hold.instrument.lag_s,
    }
    if hold.watched is not None:
        told["ambient_drift_k_s"], told["ambient_drift_u_k_s"] = hold.watched
    if hold.tell_recovery:
        u = 0.08 * recovery_of(hold, course)
        told["thermal_time_constant_s"] = max(0.1, recovery_of(hold, course) + u * rng.standard_normal())
        told["thermal_time_constant_u_s"] = u
    return told


def recovery_of(hold: Hold, course: Course) -> float:
    """m c_v / G of the gas just after shutting off."""
    state = course.at(np.array([1e-6]))[:, 0]
    return float(state[0]) * C_V / (C_V * hold.held_pa * hold.litres * 1e-3 / R_AIR / hold.ambient_k / hold.recovery_s)


def made(
    rng: Rng,
    hold: Hold,
    alter: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]] | None = None,
    leak: float | str | None = "as drawn",
    recovery: bool = True,
    **told_otherwise: Any,
) -> Stranger:
    """The trace. The transducer's scale and zero are drawn from what is told of them."""
    instrument = replace(hold.instrument, scale=0.002 * rng.standard_normal(), offset_pa=50.0 * rng.standard_normal())
    hold = replace(hold, instrument=instrument)
    course = course_of(hold)
    told = {**told_of(rng, hold, course), **told_otherwise}
    t, p = recorded(rng, hold.instrument, course.pressure, -hold.lead_s, hold.seconds)
    if alter:
        t, p = alter(t, p)
    true: dict[str, float | bool | None] = {"hold_leak_sccm": true_leak(hold) if leak == "as drawn" else leak}  # type: ignore[dict-item]
    if recovery:
        true["thermal_time_constant_s"] = recovery_of(hold, course)
    return Stranger(t, p, told, true)


def true_leak(hold: Hold) -> float:
    return vessel_of(hold)[1]
