"""Classes of strangers' fills whose bench or instrument is not as told. Continues `stranger_flow.py`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from stranger_case import Stranger
from stranger_flow import CLASSES, DELAY, FLOW, NOTHING, B, a_class, full_at_s
from stranger_flow_model import Rng, made, population
from stranger_instruments import log_uniform
from stranger_vessel import Course

Arrays = tuple[np.ndarray, np.ndarray]
__all__ = ["CLASSES"]


# ------------------------------------------------------------------------------------------------- the bench is another


@a_class("change of state noted 250 ms late", False, ("time", "before", "early"))
def noted_late(rng: Rng) -> Stranger:
    late = float(rng.uniform(0.1, 0.25))
    return made(rng, replace(population(rng), lead_s=0.6), lambda t, p, c: (t - late, p))


@a_class("fills within 0.4 s", False, ("fast", "fills"))
def quick_fill(rng: Rng) -> Stranger:
    return made(rng, population(rng, rate=(3.5, 12.0), litres=(0.05, 0.5)))


@a_class("starts within 10 % of ambient", False, ("vacuum", "ambient", "start"))
def little_vacuum(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(rng, replace(flow, vacuum_pa=float(rng.uniform(0.02, 0.1)) * flow.ambient_pa))


@a_class("pump runs on", False, ("pump", "isolat"))
def pump_runs_on(rng: Rng) -> Stranger:
    flow = population(rng)
    speed = float(rng.uniform(0.05, 0.3)) * flow.rate * flow.litres * 1e-3
    return made(rng, replace(flow, pump_m3_s=lambda t: speed))


@a_class("restriction between reservoir and valve", False, ("hose", "restrict", "departs"))
def restriction(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(
        rng,
        replace(flow, hose_part=float(rng.uniform(0.02, 0.1)), hose_over_c=float(rng.uniform(2.0, 6.0))),
        **{B: ..., FLOW: ...},
    )


@a_class("hose rings", False, ("ring", "oscillat"))
def ringing(rng: Rng) -> Stranger:
    flow = population(rng)
    pa, hz, tau = log_uniform(rng, 200, 3000), float(rng.uniform(15, 120)), log_uniform(rng, 0.03, 0.3)

    def rings(t: np.ndarray, p: np.ndarray, course: Course) -> Arrays:
        after = np.maximum(t - flow.delay_s, 0.0)
        return t, p + pa * np.exp(-after / tau) * np.sin(2 * np.pi * hz * after)

    return made(rng, flow, rings)


@a_class("tap in the flow path", False, ("tap", "jump", "dynamic"))
def tap(rng: Rng) -> Stranger:
    flow = population(rng)
    pa = float(rng.choice([-1, 1])) * log_uniform(rng, 800, 8000)

    def shifted(t: np.ndarray, p: np.ndarray, course: Course) -> Arrays:
        area = flow.course
        share = np.array(
            [
                area(float(x)) * flow.share(min(1.0, float(y)))
                for x, y in zip(t, course.pressure(t) / flow.ambient_pa, strict=True)
            ]
        )
        return t, p + pa * share**2

    return made(rng, flow, shifted)


@a_class("ambient told 1 kPa wrong", False, ("ambient",))
def ambient_wrong(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(rng, flow, told_otherwise={"ambient_pa": flow.ambient_pa + float(rng.choice([-1000.0, 1000.0]))})


# -------------------------------------------------------------------------------------------- the instrument is another


@a_class("transducer 5 to 20 ms slower than told", False, ("transducer", "response", "slow"))
def slower(rng: Rng) -> Stranger:
    flow = population(rng)
    told = flow.instrument.lag_s
    slow = replace(flow.instrument, lag_s=told + log_uniform(rng, 0.005, 0.02))
    return made(rng, replace(flow, instrument=slow), told_otherwise={"response_s": told})


@a_class("10-bit converter", False, ("converter", "step", "resol"))
def ten_bit(rng: Rng) -> Stranger:
    flow = population(rng)
    instrument = replace(flow.instrument, bits=10, noise_pa=float(rng.uniform(0.5, 10.0)))
    return made(rng, replace(flow, instrument=instrument))


@a_class("1/f noise", False, ("noise", "wander"))
def pink_noise(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(rng, replace(flow, instrument=replace(flow.instrument, pink_pa=log_uniform(rng, 10.0, 80.0))))


@a_class("hum", False, ("hum", "ripple"))
def hum(rng: Rng) -> Stranger:
    flow = population(rng)
    hertz = float(rng.choice([50.0, 60.0, 100.0]))
    return made(rng, replace(flow, instrument=replace(flow.instrument, hum_pa=log_uniform(rng, 30, 500), hum_hz=hertz)))


@a_class("spikes", False, ("spike", "outlier"))
def spikes(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(
        rng,
        replace(
            flow,
            instrument=replace(
                flow.instrument, spikes_per_s=log_uniform(rng, 0.5, 10.0), spike_pa=log_uniform(rng, 500, 20_000)
            ),
        ),
    )


@a_class("transducer creeps", False, ("creep", "second", "heat"))
def creep(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(
        rng,
        replace(
            flow,
            instrument=replace(
                flow.instrument, creep=log_uniform(rng, 0.003, 0.02), creep_s=log_uniform(rng, 0.5, 8.0)
            ),
        ),
    )


@a_class("transducer clips", False, ("clip", "range", "limit"))
def clips(rng: Rng) -> Stranger:
    flow = population(rng)
    if rng.random() < 0.5:
        limit = {"clip_above_pa": flow.ambient_pa * float(rng.uniform(0.75, 0.95))}
    else:
        limit = {"clip_below_pa": flow.start_pa + float(rng.uniform(0.1, 0.4)) * flow.vacuum_pa}
    return made(rng, replace(flow, instrument=replace(flow.instrument, **limit)))


@a_class("gauge for absolute", False, ("gauge", "absolute", "unit"))
def gauge(rng: Rng) -> Stranger:
    flow = population(rng)
    return made(rng, flow, lambda t, p, c: (t, flow.ambient_pa - p), **{**NOTHING, "opened": ...})


@a_class("mbar for Pa", False, ("unit", "mbar"))
def mbar(rng: Rng) -> Stranger:
    return made(rng, population(rng), lambda t, p, c: (t, p / 100), **{**NOTHING, "opened": ...})


@a_class("constant trace", False, ("constant", "stuck", "change"))
def constant(rng: Rng) -> Stranger:
    return made(rng, population(rng), lambda t, p, c: (t, np.full_like(p, p[0])), **{**NOTHING, "opened": ...})


@a_class("samples missing at the opening", False, ("gap", "missing"))
def gap(rng: Rng) -> Stranger:
    flow = population(rng)
    a, b = flow.delay_s - float(rng.uniform(0.005, 0.05)), flow.delay_s + float(rng.uniform(0.05, 0.2))

    def cut(t: np.ndarray, p: np.ndarray, course: Course) -> Arrays:
        kept = (t < a) | (t > b)
        return t[kept], p[kept]

    return made(rng, flow, cut)


@a_class("a block written twice", False, ("repeat", "twice", "block"))
def block_twice(rng: Rng) -> Stranger:
    flow = population(rng)

    def doubled(t: np.ndarray, p: np.ndarray, course: Course) -> Arrays:
        a = int(np.searchsorted(t, flow.delay_s + float(rng.uniform(0.1, 0.6)) * (full_at_s(flow) - flow.delay_s)))
        long = max(8, int(0.15 * (full_at_s(flow) - flow.delay_s) * flow.instrument.rate_hz))
        q = p.copy()
        q[a + long : a + 2 * long] = p[a : a + long]
        return t, q

    return made(rng, flow, doubled)


@a_class("time axis begins far from zero", False, ("time",))
def far_from_zero(rng: Rng) -> Stranger:
    far = float(rng.choice([1e4, 1e5, 1.7e9]))
    return made(rng, replace(population(rng), lead_s=0.3), lambda t, p, c: (t + far, p), **{DELAY: None})
