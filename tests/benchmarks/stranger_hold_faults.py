"""Classes of strangers' holds whose bench or instrument is not as told. Continues `stranger_hold.py`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from stranger_case import Stranger
from stranger_hold import CLASSES, Arrays, a_class, large_enough
from stranger_hold_model import Rng, made, population
from stranger_instruments import log_uniform

__all__ = ["CLASSES"]


# ------------------------------------------------------------------------------------------------- the bench is another


@a_class("pump runs on", False, ("pump", "isolat"))
def pump_runs_on(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.1, 10.0))
    at = float(rng.uniform(0.2, 1.5))
    speed = hold.litres * 1e-3 * math.log(hold.ambient_pa / hold.held_pa) / hold.pump_down_s
    return made(rng, replace(hold, pump_after=lambda t: speed if t < at else 0.0, breaks=(at,)), recovery=False)


@a_class("isolation valve seats slowly", False, ("pump", "isolat"))
def seats_slowly(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.1, 10.0))
    speed = hold.litres * 1e-3 * math.log(hold.ambient_pa / hold.held_pa) / hold.pump_down_s
    part, tau = float(rng.uniform(0.03, 0.5)), log_uniform(rng, 0.5, 8.0)
    return made(
        rng, replace(hold, pump_after=lambda t: part * speed * math.exp(-t / tau) if t >= 0 else 0.0), recovery=False
    )


@a_class("pumped again in the record", False, ("pump", "fall", "two"))
def pumped_again(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.5, 20.0), seconds=(12.0, 60.0))
    a = hold.seconds * float(rng.uniform(0.3, 0.7))
    b = a + float(rng.uniform(0.5, 2.0))
    speed = hold.litres * 1e-3 * math.log(hold.ambient_pa / hold.held_pa) / hold.pump_down_s
    return made(rng, replace(hold, pump_after=lambda t: speed if a < t < b else 0.0, breaks=(a, b)), recovery=False)


@a_class("record of 1.5 to 3 s", False, ("short",))
def short_record(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.1, 20.0), seconds=(1.5, 3.0), recovery=(1.0, 4.0), rate_hz=(200.0, 2000.0))
    return made(rng, hold)


# -------------------------------------------------------------------------------------------- the instrument is another


@a_class("10-bit converter", False, ("converter", "step", "resol"))
def ten_bit(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.05, 5.0))
    instrument = replace(hold.instrument, bits=10, noise_pa=float(rng.uniform(0.5, 10.0)))
    return made(rng, replace(hold, instrument=instrument))


@a_class("1/f noise", False, ("noise", "wander"))
def pink_noise(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.05, 5.0))
    return made(rng, replace(hold, instrument=replace(hold.instrument, pink_pa=log_uniform(rng, 5.0, 40.0))))


@a_class("hum, aliased", False, ("hum", "ripple"))
def hum(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.05, 5.0), rate_hz=(50.0, 110.0))
    slow = hold.instrument.rate_hz * float(rng.choice([1, 0.5])) + log_uniform(rng, 0.02, 0.5)
    return made(rng, replace(hold, instrument=replace(hold.instrument, hum_hz=slow, hum_pa=log_uniform(rng, 10, 100))))


@a_class("spikes", False, ("spike", "outlier"))
def spikes(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.05, 5.0))
    return made(
        rng,
        replace(
            hold,
            instrument=replace(
                hold.instrument, spikes_per_s=log_uniform(rng, 0.3, 5.0), spike_pa=log_uniform(rng, 300, 20_000)
            ),
        ),
    )


@a_class("transducer creeps", False, ("creep", "second", "drift"))
def creep(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.05, 5.0))
    instrument = replace(hold.instrument, creep=log_uniform(rng, 0.001, 0.01), creep_s=log_uniform(rng, 5.0, 20.0))
    return made(rng, replace(hold, instrument=instrument), recovery=False)


@a_class("transducer warms up", False, ("drift", "warm", "second"))
def warm_up(rng: Rng) -> Stranger:
    pa, tau = float(rng.choice([-1, 1])) * log_uniform(rng, 30, 400), log_uniform(rng, 6.0, 30.0)
    return made(rng, population(rng, leak=(0.05, 5.0)), lambda t, p: (t, p + pa * np.exp(-t / tau)))


@a_class("zero drifts straight", False, ("drift",), hidden=True)
def zero_drift(rng: Rng) -> Stranger:
    rate = float(rng.choice([-1, 1])) * log_uniform(rng, 0.3, 5.0)
    return made(rng, population(rng, leak=(0.05, 5.0)), lambda t, p: (t, p + rate * t))


@a_class("gauge transducer in gusts", False, ("gust", "wander", "ambient"))
def gusts(rng: Rng) -> Stranger:
    pa, tau = log_uniform(rng, 5, 60), log_uniform(rng, 0.5, 8.0)

    def blown(t: np.ndarray, p: np.ndarray) -> Arrays:
        steps = np.diff(t, prepend=t[0] - 1e-3)
        x = np.zeros(t.size)
        for i in range(1, t.size):
            a = math.exp(-steps[i] / tau)
            x[i] = a * x[i - 1] + math.sqrt(1 - a * a) * rng.standard_normal()
        return t, p - pa * x

    return made(rng, population(rng, leak=(0.05, 5.0)), blown)


@a_class("transducer clips", False, ("clip", "range", "limit"))
def clips(rng: Rng) -> Stranger:
    hold = large_enough(rng, 20.0, 300.0, 5.0, (10.0, 40.0))
    below = hold.held_pa + float(rng.uniform(0.02, 0.1)) * hold.vacuum_pa
    return made(rng, replace(hold, instrument=replace(hold.instrument, clip_below_pa=below)), recovery=False)


@a_class("gauge for absolute", False, ("gauge", "absolute", "ambient", "unit"))
def gauge(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.5, 20.0))
    return made(rng, hold, lambda t, p: (t, hold.instrument.shown(hold.ambient_pa) - p), recovery=False, leak=None)


@a_class("mbar for Pa", False, ("unit", "mbar", "Pa"))
def mbar(rng: Rng) -> Stranger:
    return made(rng, population(rng, leak=(0.5, 20.0)), lambda t, p: (t, p / 100), recovery=False, leak=None)


@a_class("constant trace", False, ("constant", "stuck", "change"))
def constant(rng: Rng) -> Stranger:
    hold = population(rng, leak=(0.5, 20.0))
    return made(rng, hold, lambda t, p: (t, np.full_like(p, p[p.size // 2])), recovery=False, leak=None)


@a_class("a block written twice", False, ("repeat", "twice", "jump", "block"))
def block_twice(rng: Rng) -> Stranger:
    hold = population(rng, leak=(2.0, 40.0))

    def doubled(t: np.ndarray, p: np.ndarray) -> Arrays:
        n = p.size
        a, long = int(rng.uniform(0.2, 0.5) * n), int(rng.uniform(0.05, 0.2) * n)
        q = p.copy()
        q[a + long : a + 2 * long] = p[a : a + long]
        return t, q

    return made(rng, hold, doubled)


@a_class("ambient told 1 kPa wrong", False)
def ambient_wrong(rng: Rng) -> Stranger:
    hold = large_enough(rng, 1.0, 300.0, 4.0, (8.0, 60.0))
    wrong = hold.ambient_pa + float(rng.choice([-1000.0, 1000.0]))
    return made(rng, hold, ambient_pa=wrong)


@a_class("time axis begins far from zero", False, ("time",))
def far_from_zero(rng: Rng) -> Stranger:
    hold = replace(population(rng, leak=(0.5, 60.0)), lead_s=0.0)
    far = float(rng.choice([1e4, 1e5, 1.7e9]))
    return made(rng, hold, lambda t, p: (t + far, p))
