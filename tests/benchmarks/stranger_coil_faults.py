"""Valves and supplies that do what no textbook pulse does: armatures that stop halfway, switched and failing supplies.

What is true is given as the docstring of `analyse_inrush` defines it; None where the record has no single answer.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence

import numpy as np
from stranger_armature import Barrier, Drive, Run, clamp, diode, march
from stranger_case import Stranger, StrangerClass
from stranger_magnetics import DiffusionLadder, Gap, Iron, ReluctanceNetwork
from stranger_probe import draw_setup, record, truth
from stranger_valve import ANY, Valve, Want, changed, draw_valve, log_uniform, pulse_drives

__all__ = ["FAULTS"]

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


def driven(drives: Drives, want: Want = ANY, *, longest_s: float = 2.5e-4, **instead: None) -> Made:
    """A working valve, driven otherwise. `instead` are names of which no value is true."""

    def make(rng: Rng) -> Stranger:
        valve, plain = draw_valve(rng, want)
        run = march(valve.magnet, valve.mechanics, drives(rng, valve, plain), longest_s=longest_s)
        setup = draw_setup(rng)
        return record(rng, valve, run, setup, true=truth(valve, run, **instead))

    return make


def hindered(barrier: Callable[[Rng, float], Barrier], want: Want = ANY, **instead: None) -> Made:
    """A working valve with something in the armature's way."""

    def make(rng: Rng) -> Stranger:
        valve, _ = draw_valve(rng, want)
        valve = changed(valve, barriers=(barrier(rng, valve.mechanics.stroke_m),))
        run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
        return record(rng, valve, run, draw_setup(rng), true=truth(valve, run, **instead))

    return make


def two_stages(rng: Rng) -> Stranger:
    """The armature stops partly on its way and goes on when the force has risen."""
    while True:
        valve, _ = draw_valve(rng, Want(picks_at=(0.25, 0.5)))
        stroke = valve.mechanics.stroke_m
        part = stroke * rng.uniform(0.25, 0.75)
        valve = changed(valve, barriers=(Barrier(part, 1, valve.mechanics.preload_n * rng.uniform(0.3, 2.0)),))
        run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
        true = truth(valve, run)
        if true["pull_in_time_ms"] is not None and run.first("leave", 0.0, part, part):
            return record(rng, valve, run, draw_setup(rng), true=true)


def too_slow(rng: Rng) -> Stranger:
    """So damped that it has not arrived when it is released."""
    while True:
        valve, _ = draw_valve(rng, ANY)
        valve = changed(valve, damping_n_s_m=valve.mechanics.damping_n_s_m * log_uniform(rng, 20.0, 200.0))
        run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
        true = truth(valve, run, drop_out_time_ms=None)
        if true["pull_in_time_ms"] is None:
            return record(rng, valve, run, draw_setup(rng), true=true)


def stays_in(rng: Rng) -> Stranger:
    """Remanence holds the armature: it never drops out."""
    valve, _ = draw_valve(rng, ANY)
    stroke = valve.mechanics.stroke_m
    valve = changed(valve, barriers=(Barrier(stroke * 0.999, -1),))
    run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
    return record(rng, valve, run, draw_setup(rng), true=truth(valve, run, drop_out_time_ms=None))


def drops_late(rng: Rng) -> Stranger:
    """The record ends before the armature is back."""
    valve, run = draw_valve(rng, Want(drop_out_ms=(12.0, 40.0), lets_go_at=(0.05, 0.2)))
    back = run.first("arrive", valve.pulse_s, 0.0, 0.0)
    assert back is not None
    setup = draw_setup(rng)
    setup.tail_s = (back.t_s - valve.pulse_s) * rng.uniform(0.3, 0.85)
    return record(rng, valve, run, setup, true=truth(valve, run, drop_out_time_ms=None))


def seated_before(rng: Rng) -> Stranger:
    """Already at the pole when switched on, as after another pulse: a coil that does not move it, then a return."""
    valve, _ = draw_valve(rng, ANY)
    first = [on(valve, valve.pulse_s), off(valve, valve.pulse_s + 0.3)]
    stay = changed(valve, barriers=(Barrier(valve.mechanics.stroke_m * 0.999, -1),))
    begin = first[-1].until_s
    again = [dataclasses.replace(d, until_s=d.until_s + begin) for d in pulse_drives(valve, 0.06)]
    run = march(stay.magnet, stay.mechanics, [*first, *again])
    run.t = [t - begin for t in run.t]
    run.events = []
    true = {"pull_in_time_ms": None, "motion_start_ms": None, "drop_out_time_ms": None, "armature_moved": False}
    return record(rng, valve, run, draw_setup(rng), true=truth(valve, run, **true))


def shorted(stuck: bool) -> Made:
    """Shorted turns: a second winding, closed upon itself, behind a leakage path."""

    def make(rng: Rng) -> Stranger:
        want = Want(formulations=("network",), coercive=(0.0, 0.0), stuck=stuck, works=not stuck)
        while True:
            valve, _ = draw_valve(rng, want)
            old = valve.magnet
            assert isinstance(old, ReluctanceNetwork)
            part = rng.uniform(0.03, 0.3)
            leak = Iron("power", old.iron.inductance_h * 0.1, old.iron.saturation_wb, 4, 1.0)
            core = Iron("power", old.iron.inductance_h, old.iron.saturation_wb, 4, 1.0)
            gap: Gap = old.gap
            magnet = DiffusionLadder(gap, [leak, core], [valve.ohm / part], old.stroke_m)
            ohm = valve.ohm * (1.0 - 0.5 * part)
            valve = dataclasses.replace(valve, magnet=magnet, ohm=ohm)
            run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
            true = truth(valve, run)
            if stuck or (true["pull_in_time_ms"] is not None and true["drop_out_time_ms"] is not None):
                return record(rng, valve, run, draw_setup(rng), true=true)

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
    true = truth(valve, run, steady_current_a=total, resistance_ohm=valve.supply_v / total, dip_a=None)

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        return i + np.where((t >= 0) & (t < valve.pulse_s), hot * (1.0 + more * np.exp(-np.maximum(t, 0.0) / tau)), 0.0)

    return record(rng, valve, run, draw_setup(rng), spoil=spoil, true=true)


def two_valves(rng: Rng) -> Stranger:
    """Two valves on one wire: two armatures, two times."""
    one, a = draw_valve(rng, ANY)
    volt, end = one.supply_v, one.pulse_s

    def drives(v: Valve) -> list[Drive]:
        return [Drive(end, lambda t, i: volt, v.ohm), Drive(end + 0.06, diode(v.forward_v), v.ohm, "off")]

    other, b = draw_valve(rng, Want(works=False), drives)
    total = volt / one.ohm + volt / other.ohm
    none = {"pull_in_time_ms": None, "motion_start_ms": None, "drop_out_time_ms": None}
    true = truth(one, a, steady_current_a=total, resistance_ohm=volt / total, **none)
    true.pop("dip_a", None)
    return record(rng, one, a, draw_setup(rng), spoil=lambda t, i, full: i + b.at(t), true=true)


def _pwm(hz: float) -> Drives:
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


def several_pulses(rng: Rng) -> Stranger:
    valve, plain = draw_valve(rng, Want(settles_in=(6.0, 9.0), tau_ms=(2.0, 8.0)))
    drives = _several(rng, valve, plain)
    run = march(valve.magnet, valve.mechanics, drives)
    return record(rng, valve, run, draw_setup(rng), end_s=drives[-1].until_s)


def _fails(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    there = _arrival(valve, plain)
    begin = rng.uniform(there + 2e-3, max(there + 3e-3, valve.pulse_s - 12e-3))
    return [on(valve, begin), off(valve, begin + 4e-3), on(valve, valve.pulse_s), off(valve, valve.pulse_s + 0.06)]


def _opens(rng: Rng, valve: Valve, plain: Run) -> Sequence[Drive]:
    """A joint that gains resistance in the pulse, for good."""
    there = _arrival(valve, plain)
    begin = rng.uniform(there + 1e-3, valve.pulse_s)
    volt, more = valve.supply_v, valve.ohm * rng.uniform(1.03, 1.3)
    late = Drive(valve.pulse_s, lambda t, i: volt, more)
    return [on(valve, begin), late, off(valve, valve.pulse_s + 0.06)]


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
    return [on(valve, valve.pulse_s), Drive(valve.pulse_s + 0.06, clamp(rng.uniform(18.0, 45.0)), valve.ohm, "off")]


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
_NO_OHM = {"steady_current_a": None, "resistance_ohm": None}
_RIDGE = {"drop_out_time_ms": None}
_HALF = {"pull_in_time_ms": None}
FAULTS: list[StrangerClass] = [
    fault("jammed halfway", hindered(lambda rng, s: Barrier(s * rng.uniform(0.3, 0.8), 1), **_HALF), "halfway", "way"),
    fault("return stopped by a ridge", hindered(lambda rng, s: Barrier(s * rng.uniform(0.2, 0.8), -1), **_RIDGE)),
    fault("two stages", two_stages),
    fault("not arrived when released", too_slow),
    fault("never drops out", stays_in),
    fault("drops out after the record's end", drops_late),
    fault("seated before the pulse", seated_before),
    fault("shorted turns", shorted(False), "short"),
    fault("shorted turns, blocked", shorted(True), "short"),
    fault("resistor across the coil, no diode", snubbed),
    fault("indicator lamp across a blocked coil", lamp),
    fault("two valves on one wire", two_valves),
    fault("pulse below 2 time constants", driven(lambda rng, v, r: pulse_drives(v, 0.06), _SHORT), "settle"),
    fault("peak and hold, 200 Hz", driven(_pwm(200.0), _HOLD), "PWM", "switched"),
    fault("peak and hold, 1 kHz", driven(_pwm(1000.0), _HOLD), "PWM", "switched"),
    fault("several pulses", several_pulses, "pulses"),
    fault("supply fails for 4 ms", driven(_fails, Want(settles_in=(8.0, 20.0))), "supply"),
    fault("a joint gains resistance", driven(_opens, Want(settles_in=(9.0, 20.0)), **_NO_OHM)),
    fault("relay bounces at switch-on", driven(_bouncing_on), "bounce"),
    fault("relay bounces at release", driven(_bouncing_off), "bounce"),
    fault("Zener clamp", driven(_zener, longest_s=1e-4)),
    fault("soft start", driven(_supply(_soft))),
    fault("supply ripple of 100 mV", driven(_supply(_ripple), longest_s=1e-4), "ripple"),
    fault("rectified, not smoothed", driven(_supply(_rectified), longest_s=1e-4, steady_current_a=None), "ripple"),
    fault("battery that sags", driven(_supply(_battery))),
]
