"""Supplies, switches and clamps that do what no textbook pulse does.

What is true is given as the docstring of `analyse_inrush` defines it; None where the record has no single answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from stranger_armature import Drive, Run, clamp, diode, march
from stranger_case import Stranger, StrangerClass
from stranger_probe import draw_setup, record, truth
from stranger_valve import ANY, Valve, Want, draw_valve, log_uniform, pulse_drives

__all__ = ["SUPPLIES"]

Rng = np.random.Generator
Made = Callable[[Rng], Stranger]
Drives = Callable[[Rng, Valve, Run], Sequence[Drive]]


def _arrival(valve: Valve, run: Run) -> float:
    there = run.first("arrive", 0.0, valve.mechanics.stroke_m, valve.mechanics.stroke_m)
    assert there is not None
    return there.t_s


def on(valve: Valve, until_s: float) -> Drive:
    volt = valve.supply_v
    return Drive(until_s, lambda t, i: volt, valve.ohm)


def off(valve: Valve, until_s: float) -> Drive:
    return Drive(until_s, diode(valve.forward_v), valve.ohm, "off")


def driven(
    drives: Drives,
    want: Want = ANY,
    *,
    longest_s: float = 2.5e-4,
    silent: tuple[str, ...] = (),
    stays: bool = False,
    tells_off: bool = False,
    **instead: None,
) -> Made:
    """A working valve, driven otherwise.

    `instead`: names of which no value is true; `silent`: not looked at; `stays`: does not fall off within the pulse;
    `tells_off`: the planned release is always told.
    """

    def make(rng: Rng) -> Stranger:
        while True:
            valve, plain = draw_valve(rng, want)
            run = march(valve.magnet, valve.mechanics, drives(rng, valve, plain), longest_s=longest_s)
            falls = run.first("arrive", 0.0, 0.0, 0.0)
            if not stays or (falls is not None and falls.t_s > valve.pulse_s):
                break
        true: dict[str, float | bool | None] = truth(valve, run, **instead)
        for name in silent:
            true.pop(name, None)
        told = {"off_s": valve.pulse_s} if tells_off else None
        return record(rng, valve, run, draw_setup(rng), told=told, true=true)

    return make


def snubbed(rng: Rng) -> Stranger:
    """No diode but a resistor across the coil, and the probe sees both: there is no current after release."""
    across = log_uniform(rng, 100.0, 1000.0)
    valve, _ = draw_valve(rng, ANY)
    volt = valve.supply_v
    drives = [on(valve, valve.pulse_s), Drive(valve.pulse_s + 0.06, lambda t, i: -across * i, valve.ohm, "off")]
    run = march(valve.magnet, valve.mechanics, drives, longest_s=1e-4)
    both = volt / across + volt / valve.ohm
    true = truth(valve, run, steady_current_a=both, resistance_ohm=volt / both)

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        return np.where((t >= 0) & (t < valve.pulse_s), i + volt / across, 0.0)

    return record(rng, valve, run, draw_setup(rng), spoil=spoil, true=true)


def lamp(rng: Rng) -> Stranger:
    """An indicator lamp parallel to the coil, cold at first: a falling current that is no dip."""
    valve, run = draw_valve(rng, Want(stuck=True, works=False))
    hot, more, tau = valve.steady_a * rng.uniform(0.03, 0.2), rng.uniform(1.0, 6.0), log_uniform(rng, 2e-3, 15e-3)
    total = valve.steady_a + hot
    true = truth(valve, run, steady_current_a=total, resistance_ohm=valve.supply_v / total)
    true.pop("dip_a")

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        return i + np.where((t >= 0) & (t < valve.pulse_s), hot * (1.0 + more * np.exp(-np.maximum(t, 0.0) / tau)), 0.0)

    return record(rng, valve, run, draw_setup(rng), spoil=spoil, true=true)


def _pwm(hz: float) -> Drives:
    """Full supply until after the arrival, then switched between supply and freewheeling."""

    def drives(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
        peak = min(_arrival(valve, plain) + rng.uniform(0.003, 0.02), valve.pulse_s * 0.7)
        duty, t, out = rng.uniform(0.4, 0.8), peak, [on(valve, peak)]
        while t + 1.0 / hz < valve.pulse_s:
            out += [off(valve, t + (1.0 - duty) / hz), on(valve, t + 1.0 / hz)]
            t += 1.0 / hz
        return [*out, on(valve, valve.pulse_s), off(valve, valve.pulse_s + 0.06)]

    return drives


def _several(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    t, out = valve.pulse_s, [on(valve, valve.pulse_s)]
    for _ in range(int(rng.integers(1, 4))):
        gap = rng.uniform(0.03, 0.08)
        out += [off(valve, t + gap), on(valve, t + gap + valve.pulse_s)]
        t += gap + valve.pulse_s
    return [*out, off(valve, t + 0.06)]


def joint(rng: Rng) -> Stranger:
    """A joint gains resistance in the pulse, for good: what the current settles at is what it settles at then."""
    valve, plain = draw_valve(rng, Want(settles_in=(9.0, 20.0)))
    there = _arrival(valve, plain)
    begin = rng.uniform(there + 1e-3, there + 0.7 * (valve.pulse_s - there))
    volt, more = valve.supply_v, valve.ohm * rng.uniform(1.03, 1.3)
    drives = [on(valve, begin), Drive(valve.pulse_s, lambda t, i: volt, more)]
    drives.append(Drive(valve.pulse_s + 0.06, diode(valve.forward_v), more, "off"))
    run = march(valve.magnet, valve.mechanics, drives)
    true = truth(valve, run, steady_current_a=volt / more, resistance_ohm=more)
    return record(rng, valve, run, draw_setup(rng), true=true)


def several_pulses(rng: Rng) -> Stranger:
    valve, plain = draw_valve(rng, Want(settles_in=(6.0, 9.0), tau_ms=(2.0, 8.0)))
    drives = _several(rng, valve, plain)
    run = march(valve.magnet, valve.mechanics, drives)
    return record(rng, valve, run, draw_setup(rng), end_s=drives[-1].until_s)


def _fails(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    there = _arrival(valve, plain)
    begin = rng.uniform(there + 2e-3, max(there + 3e-3, valve.pulse_s - 12e-3))
    return [on(valve, begin), off(valve, begin + 4e-3), on(valve, valve.pulse_s), off(valve, valve.pulse_s + 0.06)]


def _trips(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    """A protection ends the pulse earlier than planned: the drop-out is not from the release that is told."""
    there = _arrival(valve, plain)
    return [on(valve, there + rng.uniform(0.3, 0.9) * (valve.pulse_s - there)), off(valve, valve.pulse_s + 0.06)]


def _browns_out(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    """The supply sinks to where the armature may fall off, and stays there."""
    there = _arrival(valve, plain)
    volt, left = valve.supply_v, rng.uniform(0.05, 0.5)
    low = Drive(valve.pulse_s, lambda t, i: left * volt, valve.ohm)
    return [on(valve, there + rng.uniform(0.3, 0.6) * (valve.pulse_s - there)), low, off(valve, valve.pulse_s + 0.06)]


def _bouncing_on(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    out, t = [], 0.0
    for _ in range(int(rng.integers(1, 5))):
        t += rng.uniform(1e-4, 6e-4)
        out.append(on(valve, t))
        t += rng.uniform(1e-4, 8e-4)
        out.append(off(valve, t))
    return [*out, on(valve, valve.pulse_s), off(valve, valve.pulse_s + 0.06)]


def _bouncing_off(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    out, t = [on(valve, valve.pulse_s)], valve.pulse_s
    for _ in range(int(rng.integers(1, 5))):
        t += rng.uniform(1e-4, 8e-4)
        out.append(off(valve, t))
        t += rng.uniform(1e-4, 6e-4)
        out.append(on(valve, t))
    return [*out, off(valve, valve.pulse_s + 0.06)]


def _zener(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    zener = clamp(rng.uniform(18.0, 45.0), 0.1 * valve.steady_a)
    return [on(valve, valve.pulse_s), Drive(valve.pulse_s + 0.06, zener, valve.ohm, "off")]


def _supply(shape: Callable[[Rng, Valve], Callable[[float], float]]) -> Drives:
    def drives(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
        v = shape(rng, valve)
        return [Drive(valve.pulse_s, lambda t, i: v(t), valve.ohm), off(valve, valve.pulse_s + 0.06)]

    return drives


def _soft(rng: Rng, valve: Valve) -> Callable[[float], float]:
    rise = rng.uniform(3e-3, 6e-3)
    return lambda t: valve.supply_v * min(t / rise, 1.0)


def _ripple(rng: Rng, valve: Valve) -> Callable[[float], float]:
    w, size, a = 2 * math.pi * float(rng.choice([100.0, 120.0, 300.0, 1000.0])), 0.05, rng.uniform(0.0, 6.28)
    return lambda t: valve.supply_v + size * math.sin(w * t + a)


def _rectified(rng: Rng, valve: Valve) -> Callable[[float], float]:
    w, a = 2 * math.pi * 50.0, rng.uniform(0.0, 6.28)
    return lambda t: valve.supply_v * math.pi / 2 * abs(math.sin(w * t + a))


def _battery(rng: Rng, valve: Valve) -> Callable[[float], float]:
    sag, tau = rng.uniform(0.03, 0.15), valve.pulse_s * rng.uniform(0.2, 1.0)
    end = 1.0 - sag * (1.0 - math.exp(-valve.pulse_s / tau))
    return lambda t: valve.supply_v * (1.0 - sag * (1.0 - math.exp(-t / tau))) / end


def fault(name: str, make: Made, *words: str) -> StrangerClass:
    return StrangerClass("inrush", name, False, make, words)


_SHORT = Want(settles_in=(0.7, 2.0), tau_ms=(6.0, 15.0), picks_at=(0.2, 0.5), pull_in_ms=(1.0, 30.0), works=False)
_HOLD = Want(settles_in=(8.0, 20.0), pull_in_ms=(3.0, 20.0))
_RIDGE = {"drop_out_time_ms": None}
_MEANS = ("steady_current_a", "dip_a")
_BROWN = {"steady_current_a": None, "drop_out_time_ms": None, "resistance_ohm": None}
SUPPLIES: list[StrangerClass] = [
    fault("resistor across the coil, no diode", snubbed),
    fault("indicator lamp across a blocked coil", lamp),
    fault("pulse below 2 time constants", driven(lambda rng, v, r: pulse_drives(v, 0.06), _SHORT), "settle"),
    fault("peak and hold, 200 Hz", driven(_pwm(200.0), _HOLD, stays=True), "PWM", "switched"),
    fault("peak and hold, 1 kHz", driven(_pwm(1000.0), _HOLD, stays=True), "PWM", "switched"),
    fault(
        "trips before the release that is told", driven(_trips, Want(settles_in=(9.0, 20.0)), tells_off=True, **_RIDGE)
    ),
    fault("browns out", driven(_browns_out, Want(settles_in=(12.0, 24.0)), **_BROWN), "supply"),
    fault("several pulses", several_pulses, "pulses"),
    fault("supply fails for 4 ms", driven(_fails, Want(settles_in=(8.0, 20.0))), "supply"),
    fault("a joint gains resistance", joint),
    fault("relay bounces at switch-on", driven(_bouncing_on), "bounce"),
    fault("relay bounces at release", driven(_bouncing_off), "bounce"),
    fault("Zener clamp", driven(_zener, longest_s=3e-5)),
    fault("soft start", driven(_supply(_soft))),
    fault("supply ripple of 100 mV", driven(_supply(_ripple), longest_s=1e-4), "ripple"),
    fault("rectified, not smoothed", driven(_supply(_rectified), longest_s=1e-4, silent=_MEANS), "ripple"),
    fault("battery that sags", driven(_supply(_battery))),
]
