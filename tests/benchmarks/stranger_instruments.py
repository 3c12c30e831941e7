"""What stands between a pressure and its record: lag, noise, converter, sampling, and what goes wrong with each.

Part of the generator of strangers' traces; knows nothing of gas.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

Signal = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Instrument:
    """A transducer with its converter.

    `scale` and `offset_pa` are its errors: shown = true * (1 + scale) + offset. `creep`: this part of a change arrives
    only with `creep_s`. `hum_pa` at `hum_hz`. `pink_pa`: standard deviation of the 1/f noise over the record.
    `jitter`: of a sampling interval (the time axis tells it). `missing`: share of samples lost, in runs.
    """

    rate_hz: float
    noise_pa: float
    bits: int = 16
    full_scale_pa: float = 120_000.0
    lag_s: float = 0.003
    scale: float = 0.0
    offset_pa: float = 0.0
    creep: float = 0.0
    creep_s: float = 5.0
    pink_pa: float = 0.0
    hum_pa: float = 0.0
    hum_hz: float = 50.0
    jitter: float = 0.0
    missing: float = 0.0
    spikes_per_s: float = 0.0
    spike_pa: float = 0.0
    clip_below_pa: float = -math.inf
    clip_above_pa: float = math.inf

    @property
    def step_pa(self) -> float:
        return self.full_scale_pa / 2**self.bits

    def shown(self, true_pa: float) -> float:
        """What it shows of a steady pressure, averaged."""
        return true_pa * (1 + self.scale) + self.offset_pa


def lagged(values: np.ndarray, step_s: float, lag_s: float) -> np.ndarray:
    """First-order lag of a signal that is straight between its points: exact for that, whatever the step."""
    if lag_s <= 0:
        return values
    x = step_s / lag_s
    a = math.exp(-x)
    # response of y' = (u - y)/lag to a straight piece from u0 to u1
    b1 = 1 - (1 - a) / x
    b0 = (1 - a) / x - a
    out, _ = lfilter([b1, b0], [1, -a], values, zi=[values[0] * (b0 + a)])
    out[0] = values[0]
    return np.asarray(out)


def pink(rng: np.random.Generator, n: int) -> np.ndarray:
    """1/f noise of standard deviation 1 over the record."""
    frequency = np.fft.rfftfreq(n)
    spectrum = rng.normal(size=frequency.size) + 1j * rng.normal(size=frequency.size)
    spectrum[0] = 0.0
    spectrum[1:] /= np.sqrt(frequency[1:])
    x = np.fft.irfft(spectrum, n)
    return np.asarray(x / x.std())


def sampled(rng: np.random.Generator, instrument: Instrument, start_s: float, end_s: float) -> np.ndarray:
    """Instants of the samples."""
    step = 1 / instrument.rate_hz
    t = np.arange(math.ceil(start_s * instrument.rate_hz), math.floor(end_s * instrument.rate_hz) + 1) * step
    if instrument.jitter:
        t = t + step * instrument.jitter * rng.uniform(-0.5, 0.5, t.size)
    if instrument.missing:
        keep = np.ones(t.size, dtype=bool)
        while keep.mean() > 1 - instrument.missing:
            at, long = int(rng.integers(1, t.size - 1)), int(rng.geometric(0.1))
            keep[at : at + long] = False
        keep[[0, -1]] = True
        t = t[keep]
    return t


def recorded(
    rng: np.random.Generator, instrument: Instrument, signal: Signal, start_s: float, end_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Times and values as they would stand in a file. `signal` must be defined a little before `start_s`, too."""
    t = sampled(rng, instrument, start_s, end_s)
    fine = max(
        min(0.25 / instrument.rate_hz, 2e-3, instrument.lag_s / 8 if instrument.lag_s else 1.0),
        (end_s - start_s) / 400_000,
    )
    before = min(8 * instrument.lag_s, 1.0)
    grid = np.arange(start_s - before, end_s + 2 * fine, fine)
    p = lagged(signal(grid), fine, instrument.lag_s)
    if instrument.creep:
        p = (1 - instrument.creep) * p + instrument.creep * lagged(p, fine, instrument.creep_s)
    x = np.interp(t, grid, p) * (1 + instrument.scale) + instrument.offset_pa
    x = x + rng.normal(0.0, instrument.noise_pa, t.size) if instrument.noise_pa else x
    if instrument.pink_pa:
        x = x + instrument.pink_pa * pink(rng, t.size)
    if instrument.hum_pa:
        x = x + instrument.hum_pa * np.sin(2 * math.pi * (instrument.hum_hz * t + rng.random()))
    if instrument.spikes_per_s:
        hit = rng.random(t.size) < instrument.spikes_per_s / instrument.rate_hz
        x = x + hit * instrument.spike_pa * rng.standard_normal(t.size)
    x = np.clip(x, max(0.0, instrument.clip_below_pa), min(instrument.full_scale_pa, instrument.clip_above_pa))
    return t, np.round(x / instrument.step_pa) * instrument.step_pa


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def drawn(
    rng: np.random.Generator,
    rate_hz: tuple[float, float],
    noise_pa: tuple[float, float] = (2.0, 40.0),
    lag_s: tuple[float, float] = (0.001, 0.008),
) -> Instrument:
    """A sound instrument: 12 to 16 bits, with noise enough to hide the converter's steps."""
    noise = log_uniform(rng, *noise_pa)
    full_scale = float(rng.uniform(112_000, 160_000))
    bits = 16 if noise < 0.6 * full_scale / 2**12 else int(rng.choice([12, 14, 16]))
    return Instrument(
        rate_hz=round(log_uniform(rng, *rate_hz)),
        noise_pa=noise,
        bits=bits,
        full_scale_pa=full_scale,
        lag_s=float(rng.uniform(*lag_s)),
    )
