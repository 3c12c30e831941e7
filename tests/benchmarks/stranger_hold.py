"""Classes of strangers' holds: what a workshop's records can be. The physics is in `stranger_hold_model.py`.

`keeps`: the record is what the docstring of `analyse_hold` says a record is. `hidden`: neither this trace nor what is
told can give it away (a drift that is straight is, in the trace, a leak): counted apart.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from stranger_case import Stranger, StrangerClass, entered_in
from stranger_hold_model import Hold, Rng, made, population
from stranger_instruments import log_uniform
from stranger_vessel import KG_S_PER_SCCM, R_AIR, capillary, pore

Arrays = tuple[np.ndarray, np.ndarray]
CLASSES: list[StrangerClass] = []
a_class = entered_in(CLASSES, "hold")


# ------------------------------------------------------------------------------------------- keeping to the docstring


@a_class("tight", True)
def tight(rng: Rng) -> Stranger:
    return made(rng, population(rng, leak=(0.01, 1.0)))


@a_class("small leak", True)
def small_leak(rng: Rng) -> Stranger:
    return made(rng, population(rng, leak=(0.5, 20.0)))


def large_enough(rng: Rng, low_sccm: float, high_sccm: float, least_s: float, seconds: tuple[float, float]) -> Hold:
    """The vacuum lasts `least_s` at least: a reservoir large enough for the leak."""
    hold = population(rng, leak=(low_sccm, high_sccm), seconds=seconds)
    need = least_s * hold.leak_sccm * KG_S_PER_SCCM * R_AIR * hold.ambient_k / hold.vacuum_pa * 1e3
    return replace(hold, litres=max(hold.litres, need))


@a_class("leak of 20 to 300 sccm", True)
def medium_leak(rng: Rng) -> Stranger:
    return made(rng, large_enough(rng, 20.0, 300.0, 4.0, (8.0, 60.0)))


@a_class("leak of 300 to 3,000 sccm", True)
def gross_leak(rng: Rng) -> Stranger:
    return made(rng, large_enough(rng, 300.0, 3000.0, 3.0, (8.0, 30.0)))


@a_class("recovery known, short record", True)
def known_recovery(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng, seconds=(8.0, 12.0)), tell_recovery=True))


@a_class("recovery unknown, short record", True)
def unknown_recovery(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng, seconds=(8.0, 12.0)), tell_recovery=False))


@a_class("slow sampling, long record", True)
def slow_sampling(rng: Rng) -> Stranger:
    return made(rng, population(rng, seconds=(25.0, 60.0), rate_hz=(50.0, 120.0)))


@a_class("large reservoir, slow recovery", True)
def large_reservoir(rng: Rng) -> Stranger:
    return made(rng, population(rng, litres=(1.0, 2.0), recovery=(2.5, 4.0)))


@a_class("small reservoir, fast recovery", True)
def small_reservoir(rng: Rng) -> Stranger:
    return made(rng, population(rng, litres=(0.1, 0.25), recovery=(0.6, 1.5)))


@a_class("lead-in with the pump running", True)
def lead_in(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), lead_s=float(rng.uniform(1.0, 5.0))))


@a_class("jitter and missing samples", True)
def jittered(rng: Rng) -> Stranger:
    hold = population(rng)
    instrument = replace(hold.instrument, jitter=float(rng.uniform(0.1, 0.9)), missing=float(rng.uniform(0.01, 0.15)))
    return made(rng, replace(hold, instrument=instrument))


@a_class("12 bits, noise below a step", True)
def quiet_12_bit(rng: Rng) -> Stranger:
    hold = population(rng)
    noise = float(rng.uniform(0.2, 0.6)) * hold.instrument.full_scale_pa / 2**12
    return made(rng, replace(hold, instrument=replace(hold.instrument, bits=12, noise_pa=noise)))


@a_class("fast pump, very cold gas", True)
def fast_pump(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), pump_down_s=float(rng.uniform(1.0, 3.0))))


# ------------------------------------------------------------------------------------------------- the gas is another


@a_class("fuel vapour, tight", False, ("vapour", "wet", "dry it"))
def vapour_tight(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.02, 1.0))
    return made(rng, replace(hold, vapour_pa=log_uniform(rng, 200, 10_000), vapour_s=log_uniform(rng, 5, 100)))


@a_class("fuel vapour, leaking", False, ("vapour", "wet", "dry it"))
def vapourlarge_enough(rng: Rng) -> Stranger:
    hold = population(rng, leak=(3.0, 60.0))
    return made(rng, replace(hold, vapour_pa=log_uniform(rng, 200, 10_000), vapour_s=log_uniform(rng, 5, 100)))


@a_class("hose gives off gas as 1/t", False, ("vapour", "gas", "outgas"))
def outgassing(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.05, 5.0))
    return made(rng, replace(hold, outgassing_kg_s=log_uniform(rng, 2.0, 60.0) * KG_S_PER_SCCM))


# ------------------------------------------------------------------------------------------------------ heat is another


@a_class("room and walls drift", False, ("room", "drift", "warm"), hidden=True)
def drifting_room(rng: Rng) -> Stranger:
    rate = float(rng.choice([-1, 1])) * log_uniform(rng, 0.5, 3.0) / 60
    hold = replace(population(rng, leak=(0.05, 3.0)), watched=None)
    return made(rng, replace(hold, room_drift=lambda t: rate * max(t, 0.0)))


@a_class("walls warm up exponentially", False, ("room", "drift", "warm", "wall"))
def walls_warm(rng: Rng) -> Stranger:
    kelvin = float(rng.choice([-1, 1]) * rng.uniform(0.3, 2.0))
    tau = log_uniform(rng, 8.0, 40.0)
    hold = population(rng, leak=(0.05, 3.0))
    return made(rng, replace(hold, wall_drift=lambda t: kelvin * -math.expm1(-max(t, 0.0) / tau)))


@a_class("draught: walls swing", False, ("room", "drift", "warm"))
def draught(rng: Rng) -> Stranger:
    kelvin, period, phase = rng.uniform(0.1, 0.6), log_uniform(rng, 6.0, 40.0), rng.uniform(0, 6.28)
    hold = population(rng, leak=(0.05, 3.0))
    return made(rng, replace(hold, wall_drift=lambda t: kelvin * math.sin(6.2832 * t / period + phase)))


@a_class("liner: a second time constant", False, ("second", "liner", "two time", "heat"))
def liner(rng: Rng) -> Stranger:
    part = float(rng.uniform(1.0, 8.0)), log_uniform(rng, 15.0, 60.0), float(rng.uniform(0.4, 1.0))
    return made(rng, replace(population(rng, leak=(0.05, 3.0)), liner=part), recovery=False)


@a_class("thick plastic wall", False, ("second", "liner", "two time", "heat"))
def plastic_wall(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.05, 3.0))
    return made(rng, replace(hold, effusivity=float(rng.uniform(250.0, 700.0))), recovery=False)


@a_class("free convection, 8 s", False, ("convection", "heat"))
def convection_short(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.1, 10.0), seconds=(8.0, 8.001))
    return made(rng, replace(hold, free_convection=True), recovery=False)


@a_class("free convection, 15 to 60 s", False, ("convection", "heat"))
def convection_long(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.1, 10.0), seconds=(15.0, 60.0))
    return made(rng, replace(hold, free_convection=True), recovery=False)


# -------------------------------------------------------------------------------------------------- the leak is another


@a_class("vacuum gone within 2 s", False, ("gross", "fast", "gone"))
def gone_at_once(rng: Rng) -> Stranger:
    hold = population(rng, leak=(1000.0, 10_000.0), seconds=(8.0, 15.0), rate_hz=(200.0, 2000.0))
    lasts = float(rng.uniform(0.4, 2.0))
    litres = lasts * hold.leak_sccm * KG_S_PER_SCCM * R_AIR * hold.ambient_k / hold.vacuum_pa * 1e3
    hold = replace(hold, litres=min(max(litres, 0.1), 3.0))
    return made(rng, hold)


@a_class("laminar leak", False)
def laminar(rng: Rng) -> Stranger:
    return made(rng, replace(large_enough(rng, 0.5, 300.0, 6.0, (8.0, 60.0)), curve=capillary))


@a_class("leak in proportion to the difference", False)
def proportional(rng: Rng) -> Stranger:
    return made(rng, replace(large_enough(rng, 0.5, 300.0, 6.0, (8.0, 60.0)), curve=pore))


@a_class("diaphragm that the vacuum pulls shut", False)
def pulled_shut(rng: Rng) -> Stranger:
    hold = large_enough(rng, 2.0, 100.0, 20.0, (8.0, 60.0))
    held, gain = hold.vacuum_pa, float(rng.uniform(3.0, 15.0))

    def shape(v: float) -> float:
        x = v / held
        return math.sqrt(max(x, 0.0)) * (1 + gain * max(0.0, 1 - x))

    return made(rng, replace(hold, leak_shape=shape))


@a_class("leak starts in the record", False)
def leak_starts(rng: Rng) -> Stranger:
    hold = large_enough(rng, 3.0, 60.0, 30.0, (10.0, 60.0))
    at = hold.seconds * float(rng.uniform(0.25, 0.75))
    before = float(rng.uniform(0.0, 0.2))
    return made(rng, replace(hold, leak_in_time=lambda t: 1.0 if t > at else before, breaks=(at,)), leak=None)


@a_class("leak stops in the record", False)
def leak_stops(rng: Rng) -> Stranger:
    hold = large_enough(rng, 3.0, 60.0, 30.0, (10.0, 60.0))
    at = hold.seconds * float(rng.uniform(0.25, 0.75))
    after = float(rng.uniform(0.0, 0.2))
    return made(rng, replace(hold, leak_in_time=lambda t: after if t > at else 1.0, breaks=(at,)), leak=None)


@a_class("leak clogs", False)
def leak_clogs(rng: Rng) -> Stranger:
    hold = large_enough(rng, 3.0, 60.0, 30.0, (10.0, 60.0))
    left, tau = float(rng.uniform(0.1, 0.6)), log_uniform(rng, 4.0, 20.0)
    return made(rng, replace(hold, leak_in_time=lambda t: left + (1 - left) * math.exp(-max(t, 0.0) / tau)))


@a_class("hose behind a restriction", False)
def hose(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.2, 20.0))
    part = float(rng.uniform(0.05, 0.3))
    c = log_uniform(rng, 0.3, 5.0) * hold.litres * part * 1e-3 / (R_AIR * 293 * 1.185 * 1e-8)  # 1/C-time of 0.2 to 3 s
    return made(rng, replace(hold, hose_part=part, hose_c=c), recovery=False)
