"""Valves that do what no textbook valve does: armatures that stop halfway or stay; shorted turns; two on a wire.

What is true is given as the docstring of `analyse_inrush` defines it; None where the record has no single answer.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
from stranger_armature import Barrier, Drive, diode, march
from stranger_case import Stranger, StrangerClass
from stranger_magnetics import DiffusionLadder, Gap, Iron, ReluctanceNetwork
from stranger_probe import draw_setup, record, truth
from stranger_valve import ANY, Valve, Want, changed, draw_valve, pulse_drives

__all__ = ["FAULTS"]

Rng = np.random.Generator
Made = Callable[[Rng], Stranger]


def hindered(barrier: Callable[[Rng, float], Barrier], want: Want = ANY, **instead: None) -> Made:
    """A working valve with something in the armature's way."""

    def make(rng: Rng) -> Stranger:
        valve, _ = draw_valve(rng, want)
        valve = changed(valve, barriers=(barrier(rng, valve.mechanics.stroke_m),))
        run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
        return record(rng, valve, run, draw_setup(rng), true=truth(valve, run, **instead))

    return make


def _jam(rng: Rng, stroke: float) -> Barrier:
    return Barrier(stroke * rng.uniform(0.3, 0.8), 1)


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
    """Damped just so much that it is still on its way when it is released."""
    valve, run = draw_valve(rng, ANY)
    while truth(valve, run)["pull_in_time_ms"] is not None:
        valve = changed(valve, damping_n_s_m=valve.mechanics.damping_n_s_m * 1.6)
        run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
    return record(rng, valve, run, draw_setup(rng))


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
    first = pulse_drives(valve, 0.3)
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


def fault(name: str, make: Made, *words: str) -> StrangerClass:
    return StrangerClass("inrush", name, False, make, words)


_RIDGE = {"drop_out_time_ms": None}
_HALF = {"pull_in_time_ms": None}
FAULTS: list[StrangerClass] = [
    # a shorter stroke looks the same: one trace of the current cannot tell, a look at the flow can
    StrangerClass("inrush", "jammed halfway", False, hindered(_jam, **_HALF), ("halfway", "way"), hidden=True),
    fault("return stopped by a ridge", hindered(lambda rng, s: Barrier(s * rng.uniform(0.2, 0.8), -1), **_RIDGE)),
    fault("two stages", two_stages),
    fault("not arrived when released", too_slow),
    fault("never drops out", stays_in),
    fault("drops out after the record's end", drops_late),
    fault("seated before the pulse", seated_before),
    fault("shorted turns", shorted(False), "short"),
    fault("shorted turns, blocked", shorted(True), "short"),
    # the sum of two currents is that of one valve with a stage; a pair that moves together is one of half the
    # resistance, which the coil's measurement tells
    StrangerClass("inrush", "two valves on one wire", False, two_valves, ("stops on its way",), hidden=True),
]
