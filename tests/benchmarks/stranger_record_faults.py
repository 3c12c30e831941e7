"""Records that are not what the docstring of `analyse_inrush` assumes: probe, converter, clock and logger."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
from stranger_case import Stranger, StrangerClass
from stranger_probe import Spoil, draw_setup, high_pass, low_pass, record, truth
from stranger_valve import ANY, Want, draw_valve, log_uniform

__all__ = ["RECORDS"]

Rng = np.random.Generator
Made = Callable[[Rng], Stranger]
Arrays = tuple[np.ndarray, np.ndarray]
STUCK = Want(stuck=True, works=False)
NOTHING = ("pull_in_time_ms", "motion_start_ms", "drop_out_time_ms", "steady_current_a", "resistance_ohm", "dip_a")


def spoiled(spoil: Callable[[Rng], Spoil], want: Want = ANY, silent: tuple[str, ...] = (), **settings: Any) -> Made:
    """A working valve whose current the probe changes; `silent`: not looked at."""

    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, want)
        setup = dataclasses.replace(draw_setup(rng), **settings)
        true = {k: v for k, v in truth(valve, run).items() if k not in silent}
        return record(rng, valve, run, setup, spoil=spoil(rng), true=true)

    return make


def cut(change: Callable[[Rng, np.ndarray, np.ndarray], Arrays], silent: tuple[str, ...] = (), **settings: Any) -> Made:
    """A working valve, its record changed after the converter."""

    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, ANY)
        setup = dataclasses.replace(draw_setup(rng), **settings)
        made = record(rng, valve, run, setup)
        t, i = change(rng, made.time_s, made.signal)
        true = {k: v for k, v in made.true.items() if k not in silent}
        return Stranger(t, i, made.told, true)

    return make


def _same(rng: Rng) -> Spoil:
    return lambda t, i, full: i


def _ac(rng: Rng) -> Spoil:
    corner = log_uniform(rng, 0.5, 10.0)
    return lambda t, i, full: high_pass(t, i, corner)


def _slow(rng: Rng) -> Spoil:
    corner = rng.uniform(800.0, 1200.0)
    return lambda t, i, full: low_pass(t, i, corner)


def _averaged(rng: Rng) -> Spoil:
    span = rng.uniform(3e-3, 6e-3)

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        n = max(int(span * t.size / (t[-1] - t[0])), 2)
        total = np.cumsum(np.concatenate((np.zeros(n), i)))
        return (total[n:] - total[:-n]) / n

    return spoil


def _drift(rng: Rng) -> Spoil:
    rate, tau = rng.normal(0.0, 0.15), log_uniform(rng, 0.05, 1.0)
    return lambda t, i, full: i + full * rate * (1.0 - np.exp(-(t - t[0]) / tau))


def _remanent(rng: Rng) -> Spoil:
    """The probe's core keeps some of the largest current it has seen."""
    keep = rng.uniform(0.01, 0.05)
    return lambda t, i, full: i * (1.0 - keep) + keep * np.maximum.accumulate(i)


def _autozero(rng: Rng) -> Spoil:
    size, part = rng.choice([-1.0, 1.0]) * rng.uniform(0.01, 0.06), rng.uniform(0.2, 0.7)
    return lambda t, i, full: i + full * size * (t > t[0] + part * (t[-1] - t[0]))


def _spikes(rng: Rng) -> Spoil:
    size, count = rng.uniform(0.05, 0.6), int(rng.integers(1, 30))

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        out = i.copy()
        out[rng.integers(0, t.size, count)] += full * size * rng.standard_normal(count)
        return out

    return spoil


def _pink(rng: Rng) -> Spoil:
    size = log_uniform(rng, 0.003, 0.02)

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        shape = np.fft.rfft(rng.standard_normal(t.size))
        shape[1:] /= np.sqrt(np.arange(1, shape.size))
        noise = np.fft.irfft(shape, t.size)
        return i + full * size * noise / noise.std()

    return spoil


def _tone(hz: float, low: float = 0.005, high: float = 0.03) -> Callable[[Rng], Spoil]:
    def choose(rng: Rng) -> Spoil:
        w, size, a = 2 * np.pi * hz * (1 + rng.normal(0.0, 5e-4)), rng.uniform(low, high), rng.uniform(0.0, 2 * np.pi)
        return lambda t, i, full: i + full * size * np.sin(w * t + a)

    return choose


def _crosstalk(rng: Rng) -> Spoil:
    """Another coil nearby is switched: a kick that dies out, anywhere in the record."""
    size, tau, part = rng.normal(0.0, 0.15), log_uniform(rng, 2e-4, 3e-3), rng.uniform(0.0, 1.0)

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        since = t - (t[0] + part * (t[-1] - t[0]))
        return i + full * size * np.where(since > 0, np.exp(-np.maximum(since, 0) / tau), 0.0)

    return spoil


def _ringing(rng: Rng) -> Spoil:
    """Cable and a suppression capacitor ring when the coil is switched on: the probe sees that current too."""
    hz, size, tau = log_uniform(rng, 300.0, 3000.0), rng.uniform(0.05, 0.5), log_uniform(rng, 3e-4, 3e-3)

    def spoil(t: np.ndarray, i: np.ndarray, full: float) -> np.ndarray:
        since = np.maximum(t, 0.0)
        return i + full * size * np.sin(2 * np.pi * hz * since) * np.exp(-since / tau)

    return spoil


def _overload(rng: Rng) -> Spoil:
    """The probe's amplifier bends over near the top."""
    top = rng.uniform(0.8, 1.1)
    return lambda t, i, full: full * top * np.tanh(i / (full * top))


def _hole(rng: Rng, t: np.ndarray, i: np.ndarray) -> Arrays:
    begin = rng.uniform(0.0, 0.5) * t[-1]
    keep = (t < begin) | (t > begin + rng.uniform(2e-3, 8e-3))
    return t[keep], i[keep]


def _closed_up(rng: Rng, t: np.ndarray, i: np.ndarray) -> Arrays:
    """Blocks of samples were lost and the logger knows nothing of it."""
    lost = max(int(rng.uniform(1e-3, 4e-3) / (t[1] - t[0])), 1)
    keep = np.ones(t.size, bool)
    for begin in rng.integers(np.searchsorted(t, 0.0), t.size - lost, int(rng.integers(1, 4))):
        keep[begin : begin + lost] = False
    return t[: int(keep.sum())], i[keep]


def _jitter(rng: Rng, t: np.ndarray, i: np.ndarray) -> Arrays:
    """The clock wanders by up to 0.4 ms, the time axis does not say so."""
    wander = np.cumsum(rng.standard_normal(t.size))
    wander *= rng.uniform(5e-5, 4e-4) / np.abs(wander).max()
    return t, np.interp(t + wander, t, i)


def _held(rng: Rng, t: np.ndarray, i: np.ndarray) -> Arrays:
    n = int(rng.integers(3, 12))
    return t, np.repeat(i[::n], n)[: t.size]


def _stuck_bit(rng: Rng, t: np.ndarray, i: np.ndarray) -> Arrays:
    lsb = np.ptp(i) / 2 ** int(rng.integers(4, 8))
    code = np.round(i / lsb).astype(int)
    return t, lsb * (code | (1 << int(rng.integers(0, 3)))).astype(float)


def constant(rng: Rng) -> Stranger:
    valve, run = draw_valve(rng, ANY)
    made = record(rng, valve, run, draw_setup(rng))
    return dataclasses.replace(
        made, signal=np.full(made.time_s.size, float(made.signal.max())), true=dict.fromkeys(NOTHING)
    )


def late(rng: Rng) -> Stranger:
    """Begins 2 ms after the switching and calls that 0; no lead-in."""
    valve, run = draw_valve(rng, ANY)
    setup = draw_setup(rng)
    setup.zero, late_s = 0.0, rng.uniform(1e-3, 3e-3)
    setup.tell_off = False
    return record(rng, valve, run, setup, first_s=late_s, shift_s=-late_s, told={"on_s": 0.0})


def told_wrong(which: str) -> Made:
    """on_s or off_s wrong by some milliseconds, in a record with a lead-in."""

    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, ANY)
        setup = draw_setup(rng)
        setup.lead_s, setup.rate_hz = rng.uniform(8e-3, 20e-3), max(setup.rate_hz, 5e3)
        by = float(rng.choice([-1.0, 1.0])) * rng.uniform(1e-3, 5e-3)
        told = {"on_s": by} if which == "on" else {"off_s": valve.pulse_s + by}
        return record(rng, valve, run, setup, told=told)

    return make


def clipped(bits: int) -> Made:
    """The converter is overrun by the last 3 to 25 % of the current."""

    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, ANY)
        setup = dataclasses.replace(draw_setup(rng), bits=bits, reach=rng.uniform(0.75, 0.97))
        true = truth(valve, run)
        true.pop("dip_a", None)
        return record(rng, valve, run, setup, true=true)

    return make


def no_lead_in(rng: Rng) -> Stranger:
    valve, run = draw_valve(rng, ANY)
    setup = draw_setup(rng)
    setup.lead_s, setup.zero = 0.0, float(rng.choice([-1.0, 1.0])) * rng.uniform(0.02, 0.08)
    return record(rng, valve, run, setup)


def below_zero(rng: Rng) -> Stranger:
    """One-sided converter, zero of the probe below it: the lead-in reads 0 and all else is too low."""
    valve, run = draw_valve(rng, ANY)
    setup = dataclasses.replace(draw_setup(rng), bipolar=False, zero=-rng.uniform(0.02, 0.08), bits=12, lead_s=0.01)
    return record(rng, valve, run, setup)


def open_coil(rng: Rng) -> Stranger:
    valve, run = draw_valve(rng, Want(stuck=True, works=False))
    none = truth(valve, run, resistance_ohm=None, steady_current_a=0.0, armature_moved=False)
    return record(rng, valve, run, draw_setup(rng), spoil=lambda t, i, full: 0.0 * i, true=none)


def scaled(by: float) -> Made:
    def make(rng: Rng) -> Stranger:
        valve, run = draw_valve(rng, ANY)
        made = record(rng, valve, run, draw_setup(rng))
        return dataclasses.replace(made, signal=made.signal * by)

    return make


def fault(name: str, make: Made, *words: str) -> StrangerClass:
    return StrangerClass("inrush", name, False, make, words)


RECORDS: list[StrangerClass] = [
    fault("AC-coupled probe", spoiled(_ac), "AC"),
    fault("no lead-in, zero error", no_lead_in, "zero"),
    fault("zero below the converter's range", below_zero, "zero"),
    fault("reversed sign", scaled(-1.0), "sign", "revers", "negative"),
    fault("milliamperes", scaled(1000.0), "mA", "1000"),
    fault("samples missing, told", cut(_hole), "gap", "missing"),
    fault("samples missing, closed up", cut(_closed_up, silent=("drop_out_time_ms",))),
    fault("record begins late", late, "late", "begin"),
    fault("on_s told wrong", told_wrong("on"), "switch"),
    fault("off_s told wrong", told_wrong("off"), "release"),
    fault("clipped, 10 bit", clipped(10), "clip"),
    fault("clipped, 12 bit", clipped(12), "clip"),
    fault("constant", constant),
    fault("open coil", open_coil),
    fault("clock wanders", cut(_jitter)),
    fault("1 kS/s", spoiled(_same, rate_hz=1000.0, lead_s=0.012), "sample"),
    fault("probe of 1 kHz", spoiled(_slow)),
    fault("averaged over 3 to 6 ms", spoiled(_averaged)),
    fault("probe drifts", spoiled(_drift), "drift"),
    fault("probe remanent", spoiled(_remanent)),
    fault("zero jumps", spoiled(_autozero)),
    fault("probe overloaded", spoiled(_overload, silent=("steady_current_a", "resistance_ohm", "dip_a"))),
    fault("held samples", cut(_held)),
    fault("stuck bit", cut(_stuck_bit)),
    fault("rings at switch-on", spoiled(_ringing)),
    fault("crosstalk", spoiled(_crosstalk)),
    fault("spikes", spoiled(_spikes)),
    fault("1/f noise", spoiled(_pink)),
    fault("300 Hz ripple", spoiled(_tone(300.0)), "300"),
    fault("blocked, spikes", spoiled(_spikes, STUCK)),
    fault("blocked, 1/f noise", spoiled(_pink, STUCK)),
    fault("blocked, 300 Hz ripple", spoiled(_tone(300.0), STUCK), "300"),
    fault("blocked, hum of 50 Hz", spoiled(_tone(50.0), STUCK), "hum"),
    fault("blocked, hum of 60 Hz", spoiled(_tone(60.0), STUCK), "hum"),
    fault("blocked, crosstalk", spoiled(_crosstalk, STUCK)),
]
