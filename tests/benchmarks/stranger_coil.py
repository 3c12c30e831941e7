"""Coil-current traces by a stranger: classes that keep to the docstring of `analyse_inrush`, and those that do not.

    python tests/benchmarks/strangers.py

runs them. This module: the classes that keep to the docstring, and the list. The others: `stranger_coil_faults.py` (the
valve), `stranger_supply_faults.py` (what drives it), `stranger_record_faults.py` (the probe and the record).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
from stranger_armature import Drive, Run, diode, march
from stranger_case import Stranger, StrangerClass
from stranger_coil_faults import FAULTS
from stranger_probe import Setup, clean_setup, draw_setup, record, truth, within_limits
from stranger_record_faults import RECORDS
from stranger_supply_faults import SUPPLIES
from stranger_valve import ANY, Valve, Want, draw_valve

__all__ = ["CLASSES"]

Rng = np.random.Generator


def plain(want: Want = ANY, **setup: Any) -> Callable[[Rng], Stranger]:
    """A working valve as wanted, recorded as drawn, but for these settings of the record."""

    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, want)
        return record(rng, valve, run, dataclasses.replace(draw_setup(rng), **setup))

    return make


def blocked(want: Want = ANY) -> Callable[[Rng], Stranger]:
    want = dataclasses.replace(want, stuck=True, works=False)

    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, want)
        return record(rng, valve, run, draw_setup(rng))

    return make


def clean_pull_in(rng: Rng) -> Stranger:
    """50 ms of a finite-element-like pull-in without any ripple: nothing to take out."""
    want = Want(formulations=("network", "ladder"), tau_ms=(3.0, 8.0), settles_in=(6.0, 12.0), pull_in_ms=(3.0, 30.0))
    while True:
        valve, run = draw_valve(rng, want)
        if 0.04 <= valve.pulse_s <= 0.06:
            break
    setup = clean_setup(rng)
    end = valve.pulse_s if rng.random() < 0.5 else None
    true = truth(valve, run) if end is None else truth(valve, run, drop_out_time_ms=None)
    told = {} if end is None else {"off_s": valve.pulse_s}
    return record(rng, valve, run, setup, end_s=end, told=told, true=true)


def ends_at_release(rng: Rng) -> Stranger:
    valve, run = draw_valve(rng, ANY)
    setup = draw_setup(rng)
    told = {"off_s": valve.pulse_s} if rng.random() < 0.5 else {}
    setup.tell_off = False
    return record(rng, valve, run, setup, end_s=valve.pulse_s, told=told, true=truth(valve, run, drop_out_time_ms=None))


def sagging(columns: str) -> Callable[[Rng], Stranger]:
    """Source resistance of 0.3 to 3 ohm. `columns` "": its voltage is told as it is while the steady current flows."""

    def make(rng: Rng) -> Stranger:
        source_ohm = rng.uniform(0.3, 3.0)
        valve, run = draw_valve(rng, ANY)
        setup = draw_setup(rng)
        there = valve.supply_v - source_ohm * valve.steady_a
        true = truth(valve, run, resistance_ohm=valve.ohm - source_ohm)
        made = record(rng, valve, run, setup, supply_v=there, true=true)
        if columns:
            volts = _volts(rng, made.time_s, valve, run, setup, source_ohm, columns)
            made = dataclasses.replace(made, told=dict(made.told) | {"voltage_v": volts})
        return made

    return make


def _volts(
    rng: Rng, t: np.ndarray, valve: Valve, run: Run, setup: Setup, source_ohm: float, columns: str
) -> np.ndarray:
    i = np.where((t < 0) | (t > valve.pulse_s), 0.0, run.at(t))
    volts = valve.supply_v - source_ohm * i
    if columns == "coil":
        after = np.array([diode(valve.forward_v)(0.0, a) for a in run.at(t)])
        volts = np.where(t < 0, 0.0, np.where(t > valve.pulse_s, after, volts))
    error = within_limits(rng, setup.supply_u_v)
    return volts + error + rng.normal(0.0, 0.003 * valve.supply_v, t.size)


def blocked_at_terminals(rng: Rng) -> Stranger:
    valve, run = draw_valve(rng, Want(stuck=True, works=False))
    setup = draw_setup(rng)
    setup.tell_off = bool(rng.random() < 0.3)
    made = record(rng, valve, run, setup)
    volts = _volts(rng, made.time_s, valve, run, setup, 0.0, "coil")
    told = {k: v for k, v in made.told.items() if k != "supply_v"}
    return dataclasses.replace(made, told=told | {"voltage_v": volts})


def shifted(by: Callable[[Rng], float]) -> Callable[[Rng], Stranger]:
    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, ANY)
        return record(rng, valve, run, draw_setup(rng), shift_s=by(rng))

    return make


def other_diode(rng: Rng) -> Stranger:
    """Schottky or two in series; not told."""
    volt = float(rng.choice([0.3, 1.4])) * rng.uniform(0.9, 1.1)

    def drives(valve: Valve) -> list[Drive]:
        on = Drive(valve.pulse_s, lambda t, i: valve.supply_v, valve.ohm)
        return [on, Drive(valve.pulse_s + 0.08, diode(volt, ohm=rng_ohm), valve.ohm, "off")]

    rng_ohm = rng.uniform(0.0, 0.5)
    valve, run = draw_valve(rng, ANY, drives)
    return record(rng, valve, run, draw_setup(rng))


def warming(percent: tuple[float, float]) -> Callable[[Rng], Stranger]:
    """The winding's resistance rises in the pulse: a straight line in time."""

    def make(rng: Rng) -> Stranger:
        valve, _ = draw_valve(rng, Want(settles_in=(8.0, 20.0)))
        rise = rng.uniform(*percent) / 100.0
        volt, count = valve.supply_v, 60
        drives = [
            Drive(valve.pulse_s * (k + 1) / count, lambda t, i: volt, valve.ohm * (1.0 + rise * (k + 0.5) / count))
            for k in range(count)
        ]
        hot = valve.ohm * (1.0 + rise)
        drives.append(Drive(valve.pulse_s + 0.06, diode(valve.forward_v), hot, "off"))
        run = march(valve.magnet, valve.mechanics, drives)
        true = truth(valve, run, resistance_ohm=hot, steady_current_a=volt / hot)
        return record(rng, valve, run, draw_setup(rng), true=true)

    return make


def humming(hz: float, want: Want = ANY) -> Callable[[Rng], Stranger]:
    """The mains picked up by the probe, its frequency right to 0.1 %, with some third harmonic."""

    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, want)
        w = 2 * np.pi * hz * (1 + rng.normal(0.0, 5e-4))
        size, third, a, b = rng.uniform(0.005, 0.03), rng.uniform(0.0, 0.2), *rng.uniform(0.0, 2 * np.pi, 2)

        def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
            return i + full * size * (np.sin(w * t + a) + third * np.sin(3 * w * t + b))

        return record(rng, valve, run, draw_setup(rng), spoil=spoil)

    return make


def jittered(rng: Rng) -> Stranger:
    """Samples come irregularly, and the time axis says when."""
    valve, run = draw_valve(rng, ANY)
    made = record(rng, valve, run, draw_setup(rng))
    keep = np.sort(rng.permutation(made.time_s.size)[: int(0.7 * made.time_s.size)])
    return Stranger(made.time_s[keep], made.signal[keep], made.told, made.true)


def keeps(name: str, make: Callable[[Rng], Stranger], *words: str) -> StrangerClass:
    return StrangerClass("inrush", name, True, make, words)


_STUCK = Want(stuck=True, works=False)
CLASSES: list[StrangerClass] = [
    keeps("reluctance network", plain(Want(formulations=("network",)))),
    keeps("diffusion ladder", plain(Want(formulations=("ladder",)))),
    keeps("inductance by position and current", plain(Want(formulations=("inductance",)))),
    keeps("clean pull-in of 50 ms", clean_pull_in),
    keeps(
        "pulse of 3 to 6 time constants", plain(Want(settles_in=(3.0, 6.0), tau_ms=(7.0, 15.0), pull_in_ms=(3.0, 30.0)))
    ),
    keeps("pulse of 10 to 30 time constants", plain(Want(settles_in=(10.0, 30.0), tau_ms=(2.0, 9.0)))),
    keeps("bounces", plain(Want(restitution=(0.3, 0.6)))),
    keeps("dip that is only a shoulder", plain(Want(open_part=(0.75, 0.9), damping=(1.0, 3.0)))),
    keeps("sluggish armature", plain(Want(damping=(2.0, 8.0)))),
    keeps("late drop-out", plain(Want(lets_go_at=(0.03, 0.12), drop_out_ms=(18.0, 40.0)))),
    keeps("slow pull-in", plain(Want(pull_in_ms=(16.0, 40.0), picks_at=(0.5, 0.9), flight_ms=(3.0, 10.0)))),
    keeps("quick pull-in", plain(Want(pull_in_ms=(3.0, 5.0), picks_at=(0.2, 0.6), flight_ms=(0.6, 2.0)))),
    keeps("strong eddy currents", plain(Want(formulations=("ladder",), eddy_ms=(3.0, 8.0)))),
    keeps("remanent iron", plain(Want(formulations=("network",), coercive=(0.03, 0.1)))),
    keeps("saturating early", plain(Want(saturates_at=(0.4, 0.8)))),
    keeps("dry friction", plain(Want(friction=(0.1, 0.35)))),
    keeps("other diode", other_diode),
    keeps("sagging supply, told at steady current", sagging("")),
    keeps("sagging supply, recorded", sagging("supply")),
    keeps("voltage recorded at the coil", sagging("coil")),
    keeps("blocked", blocked()),
    keeps("blocked, strong eddy currents", blocked(Want(formulations=("ladder",), eddy_ms=(2.0, 8.0)))),
    keeps("blocked, saturating", blocked(Want(saturates_at=(0.3, 0.8)))),
    keeps("blocked, voltage recorded at the coil", blocked_at_terminals),
    keeps("ends at the release", ends_at_release),
    keeps("epoch time", shifted(lambda rng: 1.7e9 + float(rng.uniform(0.0, 1e6)))),
    keeps("time begins elsewhere", shifted(lambda rng: float(rng.uniform(-5.0, 5.0)))),
    keeps("winding warms by up to 0.3 %", warming((0.05, 0.3))),
    keeps("hum of 50 Hz", humming(50.0)),
    keeps("hum of 60 Hz", humming(60.0)),
    keeps("irregular samples, told", jittered),
    keeps("few samples: 2 to 3 kS/s", plain(rate_hz=2500.0)),
    keeps("8 bit of a large range", plain(bits=8, reach=2.8, noise=0.003)),
    keeps("quiet, 10 bit", plain(bits=10, noise=2e-4, reach=1.3)),
    keeps("quiet, 12 bit", plain(bits=12, noise=5e-5, reach=1.2)),
    StrangerClass("inrush", "winding warms by 1 to 4 %", False, warming((1.0, 4.0))),
    *FAULTS,
    *SUPPLIES,
    *RECORDS,
]
