"""Current probe, converter and logger: what becomes of a coil's current on its way into a file, and what is told."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import lfilter
from stranger_armature import Run
from stranger_case import Stranger
from stranger_valve import Valve, log_uniform

__all__ = [
    "Setup",
    "Spoil",
    "clean_setup",
    "convert",
    "draw_setup",
    "high_pass",
    "low_pass",
    "record",
    "truth",
    "within_limits",
]

Spoil = Callable[[np.ndarray, np.ndarray, float], np.ndarray]
"""(time s, current A, full current A) -> current as the probe hands it on."""


@dataclass
class Setup:
    """How one record is taken. Noise, zero and reach are parts of the full current; `bits` 0: no converter."""

    rate_hz: float
    lead_s: float
    tail_s: float
    bits: int
    reach: float
    bipolar: bool
    noise: float
    zero: float
    u_rel: float
    scale: float
    supply_u_v: float
    tell_off: bool
    tell_supply: bool = True


def within_limits(rng: np.random.Generator, u: float) -> float:
    """Error of an instrument within limits +- a of which nothing else is known, told as u = a / sqrt(3) (GUM 4.3.7).

    Drawn from a normal distribution of that u instead, one error in 22 would be beyond 2 u, and no analysis could know.
    """
    return float(rng.uniform(-1.0, 1.0)) * u * math.sqrt(3.0)


def draw_setup(rng: np.random.Generator) -> Setup:
    """As a workshop would: a zero error only where a lead-in shows it, a converter that is not overrun.

    The probe's and the voltmeter's errors are those of instruments within their specification (`within_limits`).
    """
    u_rel = log_uniform(rng, 0.001, 0.005)
    lead = 0.0 if rng.random() < 0.2 else log_uniform(rng, 2e-3, 20e-3)
    rate = log_uniform(rng, 2e3, 1e5)
    if lead * rate < 10:
        lead = 10.5 / rate if lead else 0.0
    return Setup(
        rate_hz=rate,
        lead_s=lead,
        tail_s=rng.uniform(0.045, 0.06),
        bits=int(rng.choice([8, 10, 12, 16])),
        reach=rng.uniform(1.15, 3.0),
        bipolar=True,
        noise=log_uniform(rng, 0.002, 0.02),
        zero=float(rng.normal(0.0, 0.01)) if lead else 0.0,
        u_rel=u_rel,
        scale=1.0 + within_limits(rng, u_rel),
        supply_u_v=log_uniform(rng, 0.01, 0.05),
        tell_off=bool(rng.random() < 0.7),
    )


def clean_setup(rng: np.random.Generator) -> Setup:
    """As out of a finite-element program: next to no noise, no converter, exact zero and supply."""
    setup = draw_setup(rng)
    setup.bits, setup.noise, setup.zero, setup.lead_s = 0, log_uniform(rng, 1e-5, 3e-4), 0.0, 0.0
    setup.rate_hz = log_uniform(rng, 5e3, 5e4)
    setup.u_rel, setup.scale, setup.supply_u_v = 0.005, 1.0 + within_limits(rng, 0.005), 0.01
    return setup


def times(rng: np.random.Generator, setup: Setup, end_s: float, first_s: float | None = None) -> np.ndarray:
    """Sampling times; the clock stands anyhow to the switching."""
    start = -setup.lead_s if first_s is None else first_s
    step = 1.0 / setup.rate_hz
    begin = start + rng.uniform(0.0, step)
    return begin + step * np.arange(int((end_s - begin) * setup.rate_hz))


def convert(rng: np.random.Generator, setup: Setup, current: np.ndarray, full_a: float) -> np.ndarray:
    """Scale, zero, white noise and converter."""
    signal = setup.scale * current + setup.zero * full_a + rng.normal(0.0, setup.noise * full_a, current.size)
    if not setup.bits:
        return signal
    top = setup.reach * full_a
    step = top * (2.0 if setup.bipolar else 1.0) / 2**setup.bits
    low = -(2 ** (setup.bits - 1)) if setup.bipolar else 0
    return step * np.clip(np.round(signal / step), low, low + 2**setup.bits - 1)


def low_pass(time_s: np.ndarray, signal: np.ndarray, corner_hz: float) -> np.ndarray:
    """First order, exact for a staircase; settled at the first sample."""
    keep = np.exp(-2 * np.pi * corner_hz * (time_s[1] - time_s[0]))
    out, _ = lfilter([1 - keep], [1, -keep], signal, zi=[keep * signal[0]])
    return np.asarray(out)


def high_pass(time_s: np.ndarray, signal: np.ndarray, corner_hz: float) -> np.ndarray:
    return signal - low_pass(time_s, np.concatenate(([0.0], signal[:-1])), corner_hz)


def truth(valve: Valve, run: Run, **instead: float | bool | None) -> dict[str, float | bool | None]:
    """True values by the names of the result; `instead` replaces them."""
    stroke = valve.mechanics.stroke_m
    there = run.first("arrive", 0.0, stroke, stroke)
    gone = run.first("leave", 0.0, 0.0, 0.0)
    back = run.first("arrive", valve.pulse_s, 0.0, 0.0)
    if there is not None and there.t_s > valve.pulse_s:
        there = None
    true: dict[str, float | bool | None] = {
        "armature_moved": gone is not None,
        "pull_in_time_ms": there.t_s * 1e3 if there else None,
        "motion_start_ms": gone.t_s * 1e3 if gone else None,
        "drop_out_time_ms": (back.t_s - valve.pulse_s) * 1e3 if back else None,
        "steady_current_a": valve.steady_a,
        "resistance_ohm": valve.ohm,
    }
    if there:
        t, i = np.array(run.t), np.array(run.i)
        before = i[t <= there.t_s]
        true["dip_a"] = float(before.max() - before[-1])
    elif gone is None:
        true["dip_a"] = 0.0
    return true | instead


def record(
    rng: np.random.Generator,
    valve: Valve,
    run: Run,
    setup: Setup,
    *,
    end_s: float | None = None,
    first_s: float | None = None,
    shift_s: float = 0.0,
    spoil: Spoil | None = None,
    told: dict[str, Any] | None = None,
    supply_v: float | None = None,
    true: dict[str, float | bool | None] | None = None,
) -> Stranger:
    """Sample, spoil, convert, and tell.

    `shift_s` is added to the time axis and to what is told about it; `supply_v` is the true voltage at the points where
    it was measured, while the steady current flows.
    """
    full = valve.steady_a
    t = times(rng, setup, valve.pulse_s + setup.tail_s if end_s is None else end_s, first_s)
    i = run.at(t)
    if spoil is not None:
        i = spoil(t, i, full)
    says: dict[str, Any] = {"current_u_rel": setup.u_rel, "supply_u_v": setup.supply_u_v}
    if setup.tell_supply:
        volt = valve.supply_v if supply_v is None else supply_v
        says["supply_v"] = volt + within_limits(rng, setup.supply_u_v)
    if setup.tell_off:
        says["off_s"] = valve.pulse_s + shift_s
    if shift_s:
        says["on_s"] = shift_s
    says |= told or {}
    return Stranger(t + shift_s, convert(rng, setup, i, full), says, truth(valve, run) if true is None else true)
