"""Classes of strangers' fills: what a workshop's records can be. The physics is in `stranger_flow_model.py`.

`keeps`: the record is what the docstring of `analyse_flow` says a record is. `hidden`: neither this trace nor what is
told can give it away: counted apart.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from stranger_case import Stranger, StrangerClass, entered_in
from stranger_flow_model import Flow, Rng, made, population
from stranger_instruments import log_uniform
from stranger_vessel import iso, nozzle

Arrays = tuple[np.ndarray, np.ndarray]
C, B, FLOW, DELAY = (
    "sonic_conductance_dm3_s_bar",
    "critical_pressure_ratio",
    "flow_at_rated_vacuum_lpm_anr",
    "opening_delay_ms",
)
NOTHING: dict[str, Any] = dict.fromkeys((C, B, FLOW, DELAY))
CLASSES: list[StrangerClass] = []
a_class = entered_in(CLASSES, "flow")


def full_at_s(flow: Flow) -> float:
    """About when three quarters of the vacuum are gone."""
    return flow.delay_s + 0.6 * flow.vacuum_pa / flow.ambient_pa / flow.rate


# ------------------------------------------------------------------------------------------- keeping to the docstring


@a_class("heat known", True)
def heat_known(rng: Rng) -> Stranger:
    return made(rng, population(rng))


@a_class("inflow's heat unknown", True)
def mixing_unknown(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), tell_mixing=False))


@a_class("nothing known of the heat", True)
def heat_unknown(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), tell_mixing=False, tell_recovery=False))


@a_class("small opening", True)
def small_opening(rng: Rng) -> Stranger:
    return made(rng, population(rng, rate=(0.1, 0.3)))


@a_class("large opening", True)
def large_opening(rng: Rng) -> Stranger:
    return made(rng, population(rng, rate=(1.5, 2.5)))


@a_class("large reservoir", True)
def large_reservoir(rng: Rng) -> Stranger:
    return made(rng, population(rng, litres=(0.9, 2.0)))


@a_class("ideal nozzle", True)
def ideal_nozzle(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), b=0.528, curve=nozzle))


@a_class("low critical ratio", True)
def low_ratio(rng: Rng) -> Stranger:
    return made(rng, population(rng, b=(0.15, 0.25)))


@a_class("on the ellipse", True)
def on_the_ellipse(rng: Rng) -> Stranger:
    return made(rng, population(rng, b=(0.2, 0.5)))


@a_class("noisy, 12 bits", True)
def noisy(rng: Rng) -> Stranger:
    flow = population(rng, noise_pa=(20.0, 40.0))
    return made(rng, replace(flow, instrument=replace(flow.instrument, bits=12)))


@a_class("12 bits, noise below a step", True)
def quiet_12_bit(rng: Rng) -> Stranger:
    flow = population(rng)
    noise = float(rng.uniform(0.2, 0.6)) * flow.instrument.full_scale_pa / 2**12
    return made(rng, replace(flow, instrument=replace(flow.instrument, bits=12, noise_pa=noise)))


@a_class("jitter and missing samples", True)
def jittered(rng: Rng) -> Stranger:
    flow = population(rng)
    instrument = replace(flow.instrument, jitter=float(rng.uniform(0.1, 0.9)), missing=float(rng.uniform(0.01, 0.15)))
    return made(rng, replace(flow, instrument=instrument))


@a_class("slow sampling", True)
def slow_sampling(rng: Rng) -> Stranger:
    return made(rng, population(rng, rate_hz=(500.0, 700.0)))


@a_class("start after a short wait, told so", True)
def short_wait(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), start_u_k=3.0))


# ---------------------------------------------------------------------------------------------- the valve is another


@a_class("critical ratio above 0.55", False, ("critical", "ratio"))
def high_ratio(rng: Rng) -> Stranger:
    return made(rng, population(rng, b=(0.55, 0.8)))


@a_class("subsonic index not 0.5", False, ("curve", "index", "departs"))
def other_index(rng: Rng) -> Stranger:
    index = float(rng.choice([rng.uniform(0.38, 0.45), rng.uniform(0.56, 0.8)]))
    flow = population(rng)
    return made(rng, replace(flow, curve=iso(flow.b, index)), **{B: ...})


@a_class("opens in two steps", False, ("step", "opening", "open"))
def two_steps(rng: Rng) -> Stranger:
    flow = population(rng)
    part, later = float(rng.uniform(0.2, 0.7)), flow.delay_s + log_uniform(rng, 0.02, 0.3)
    return made(
        rng, replace(flow, area=lambda t: 0.0 if t < flow.delay_s else part if t < later else 1.0, breaks=(later,))
    )


@a_class("opens over 30 to 100 ms", False, ("slow", "opening", "open"))
def slow_opening(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), ramp_s=float(rng.uniform(0.03, 0.1))))


def _beaten(flow: Flow, period: float, duty: float, until: float) -> Flow:
    count = int((until - flow.delay_s) / period)
    edges = [flow.delay_s + k * period + x for k in range(count) for x in (0.0, duty * period)]
    end = flow.delay_s + count * period

    def area(t: float) -> float:
        if t < flow.delay_s:
            return 0.0
        return 1.0 if t >= end or ((t - flow.delay_s) / period) % 1.0 < duty else 0.0

    return replace(flow, area=area, breaks=(*edges, end))


@a_class("chatters on opening", False, ("chatter", "bounce", "opening"))
def chatter(rng: Rng) -> Stranger:
    flow = population(rng)
    until = flow.delay_s + log_uniform(rng, 0.1, 0.6)
    return made(rng, _beaten(flow, 1 / float(rng.uniform(20, 80)), float(rng.uniform(0.3, 0.8)), until))


@a_class("duty of 10 Hz", False, ("duty", "pulse", "chatter", "opens and"))
def duty(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(rng, _beaten(flow, 0.1, float(rng.uniform(0.3, 0.7)), min(flow.seconds, 6.0)))


@a_class("drops shut again", False, ("shut", "closed again", "stops"))
def drops_shut(rng: Rng) -> Stranger:
    flow = population(rng)
    at = flow.delay_s + float(rng.uniform(0.2, 0.9)) * (full_at_s(flow) - flow.delay_s)
    return made(rng, replace(flow, area=lambda t: 1.0 if flow.delay_s <= t < at else 0.0, breaks=(at,)))


@a_class("half open before the change", False, ("before", "already", "lead"))
def half_open(rng: Rng) -> Stranger:
    flow = population(rng)
    part = float(rng.uniform(0.2, 0.6))
    return made(rng, replace(flow, area=lambda t: part if t < flow.delay_s else 1.0))


@a_class("opening creeps wider", False, ("creep", "opening", "open"))
def creeps_wider(rng: Rng) -> Stranger:
    flow = population(rng)
    first, tau = float(rng.uniform(0.5, 0.85)), 0.5 * (full_at_s(flow) - flow.delay_s) * float(rng.uniform(0.5, 2))
    return made(
        rng,
        replace(
            flow, area=lambda t: 0.0 if t < flow.delay_s else 1 - (1 - first) * math.exp(-(t - flow.delay_s) / tau)
        ),
        **{C: None, B: None, FLOW: None},
    )


@a_class("opening clogs", False, ("clog", "opening", "narrow"))
def clogs(rng: Rng) -> Stranger:
    flow = population(rng)
    left, tau = float(rng.uniform(0.4, 0.8)), 0.5 * (full_at_s(flow) - flow.delay_s) * float(rng.uniform(0.5, 2))
    return made(
        rng,
        replace(
            flow, area=lambda t: 0.0 if t < flow.delay_s else left + (1 - left) * math.exp(-(t - flow.delay_s) / tau)
        ),
        **{C: None, B: None, FLOW: None},
    )


@a_class("opens at the second try", False, ("opening", "open", "twice"))
def second_try(rng: Rng) -> Stranger:
    flow = population(rng)
    shut = flow.delay_s + log_uniform(rng, 0.01, 0.08)
    again = shut + log_uniform(rng, 0.1, 1.0)
    return made(
        rng,
        replace(
            flow,
            area=lambda t: 1.0 if flow.delay_s <= t < shut or t >= again else 0.0,
            breaks=(shut, again),
            seconds=flow.seconds + 1,
        ),
    )


@a_class("does not open", False, ("not open", "did not", "no rise"))
def stays_shut(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(rng, replace(flow, area=lambda t: 0.0), **{C: 0.0, FLOW: 0.0, B: None, DELAY: ..., "opened": False})


@a_class("leak alongside", False, ("leak", "before", "rises already"))
def leak_alongside(rng: Rng) -> Stranger:
    flow = replace(population(rng), lead_s=0.5)
    leak = float(rng.uniform(0.05, 0.4)) * flow.c * 1e-8 * 1.185 * flow.ambient_pa

    def other(t: float, p: float) -> float:
        return leak * math.copysign(math.sqrt(abs(1 - p / flow.ambient_pa)), flow.ambient_pa - p)

    return made(rng, replace(flow, others=(other,)), **{B: ...})


# ------------------------------------------------------------------------------------------------------ heat is another


@a_class("near isothermal", False, ("heat", "isotherm"))
def isothermal(rng: Rng) -> Stranger:
    flow = replace(population(rng), recovery_s=log_uniform(rng, 0.02, 0.15), mixing_w_k=0.5)
    return made(rng, replace(flow, tell_mixing=False, tell_recovery=False))


@a_class("strong mixing", False, ("heat", "mixing"))
def strong_mixing(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), mixing_w_k=log_uniform(rng, 7.0, 25.0), tell_mixing=False))


@a_class("stirring goes with the square of the inflow", False, ("heat",))
def square_mixing(rng: Rng) -> Stranger:
    flow = population(rng)
    usual = flow.c * 1e-8 * 1.185 * flow.ambient_pa * 1e3
    part = flow.mixing_w_k * usual / flow.conductance
    return made(rng, replace(flow, heat=lambda t, gas, wall, p, q: 1 + part * (q / usual) ** 2, tell_mixing=False))


@a_class("stirring dies away slowly", False, ("heat",))
def slow_stirring(rng: Rng) -> Stranger:
    """A swirl outlasts the inflow: conductance falls from its height with a time of its own."""
    flow = population(rng)
    high, tau, from_s = float(rng.uniform(3.0, 10.0)), log_uniform(rng, 0.5, 3.0), flow.delay_s
    top = full_at_s(flow)
    return made(
        rng,
        replace(
            flow,
            heat=lambda t, gas, wall, p, q: (
                1 + high * (0.0 if t < from_s else min(1.0, (t - from_s) / 0.1) * math.exp(-max(t - top, 0.0) / tau))
            ),
            tell_mixing=False,
        ),
    )


@a_class("free convection", False, ("heat", "convection"))
def convection(rng: Rng) -> Stranger:
    flow = population(rng)
    part = flow.mixing_w_k / flow.conductance
    return made(
        rng,
        replace(flow, heat=lambda t, gas, wall, p, q: 2 * (0.05 + abs(gas - wall) / 20) ** 0.25 * p**0.5 + part * q),
    )


@a_class("liner: a second time constant", False, ("heat", "liner", "second"))
def liner(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), liner=(float(rng.uniform(1.0, 8.0)), log_uniform(rng, 5.0, 60.0))))


@a_class("thick plastic wall", False, ("heat", "liner", "second"))
def plastic_wall(rng: Rng) -> Stranger:
    return made(rng, replace(population(rng), effusivity=float(rng.uniform(250.0, 700.0))))


@a_class("gas still cold from the pump", False, ("cold", "wait", "temperature"))
def still_cold(rng: Rng) -> Stranger:
    flow = replace(population(rng), start_u_k=1.0, start_off_k=-float(rng.uniform(5.0, 20.0)))
    return made(rng, flow)


@a_class("reservoir warmer than the room", False, ("warm", "temperature"))
def warm_reservoir(rng: Rng) -> Stranger:
    kelvin = float(rng.choice([-1, 1]) * rng.uniform(4.0, 12.0))
    return made(rng, replace(population(rng), wall_off_k=kelvin, start_off_k=kelvin, start_u_k=1.0))


@a_class("fuel vapour in the reservoir", False, ("vapour", "wet"))
def vapour(rng: Rng) -> Stranger:
    return made(
        rng, replace(population(rng), vapour_pa=log_uniform(rng, 1000, 10_000), vapour_s=log_uniform(rng, 3, 40))
    )
