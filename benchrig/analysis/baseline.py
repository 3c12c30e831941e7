"""What lies under a coil current: the converter's step, its zero, and hum."""

from __future__ import annotations

import math

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.smoothing import distinct

__all__ = ["hum_of", "is_cut", "step_of", "zero_of"]


def step_of(values: Samples) -> float:
    """Smallest step that occurs, if the values lie on a grid of it (an ADC's); else 0.0."""
    levels = distinct(values)
    if len(levels) < 3 or len(levels) > len(values) / 2:
        return 0.0
    steps = np.diff(levels)
    step = float(steps[steps > 1e-9 * (levels[-1] - levels[0])].min())
    off_grid = np.abs(steps / step - np.round(steps / step))
    return step if float(np.quantile(off_grid, 0.9)) < 0.1 else 0.0


def is_cut(quiet: Samples, step: float, noise: float) -> bool:
    """Many samples lie on the lowest value though the noise is larger: the converter cannot show what is below."""
    return len(quiet) > 2 and noise > step and bool(np.mean(quiet == quiet.min()) > 0.2)


def zero_of(quiet: Samples, step: float, noise: float) -> tuple[float, float]:
    """Zero of the current channel and its standard uncertainty, from samples without current.

    An ADC that cannot go below its lowest value cuts the noise there, and the mean is then too high: the zero is the
    one whose noise, cut at that value, has this mean. It may lie below what the converter can show.
    """
    n = len(quiet)
    if n < 3:
        return 0.0, 0.1 * noise
    mean = float(quiet.mean())
    lowest = float(quiet.min())
    if not (noise > step and float(np.mean(quiet == lowest)) > max(0.03, 2.0 / n)):
        return mean, max(noise, 0.3 * step) / n**0.5
    above = min((mean - lowest) / noise, 4.0)
    z = above
    for _ in range(30):  # Newton; the mean of a cut normal distribution is convex in its centre
        inside = 0.5 * (1.0 + math.erf(z / 2**0.5))
        bell = math.exp(-0.5 * z * z) / (2.0 * math.pi) ** 0.5
        step_z = (z * inside + bell - above) / max(inside, 0.02)
        z = max(z - step_z, -2.0)
        if abs(step_z) < 1e-9:
            break
    variance = (1.0 + z * z) * inside + z * bell - above**2
    # the cut mean depends on the noise, which is itself known from a few times as many samples only
    spread = (max(variance, 0.0) + (0.9 * bell) ** 2) ** 0.5 / max(inside, 0.02)
    return lowest + z * noise, max(spread * noise, 0.3 * step) / n**0.5


def hum_of(time_s: Samples, current_a: Samples, quiet: list[slice], noise: float) -> tuple[Samples, str]:
    """Sine of 50 or 60 Hz that the quiet stretches have in common, over the whole record.

    Each stretch has its own level; the pulse's last stretch also its own slope.
    """
    where = np.concatenate([np.arange(s.start, s.stop) for s in quiet]) if quiet else np.zeros(0, dtype=np.int64)
    if len(where) < 40 or float(np.ptp(time_s[where])) < 0.02 or noise <= 0.0:
        return np.zeros_like(current_a), ""
    t, y = time_s[where], current_a[where]
    own = []
    for s in quiet:
        inside = (where >= s.start) & (where < s.stop)
        own.append(inside.astype(np.float64))
        own.append(np.where(inside, t - float(t[inside].mean()), 0.0))
    best: tuple[float, float, Samples] | None = None
    plain = _rest(np.stack(own, axis=1), y)[1]
    for hertz in (50.0, 60.0):
        w = 2 * np.pi * hertz
        design = np.stack([np.cos(w * t), np.sin(w * t), *own], axis=1)
        found, rss = _rest(design, y)
        if best is None or rss < best[0]:
            best = (rss, hertz, found)
    assert best is not None
    rss, hertz, found = best
    size = float(np.hypot(found[0], found[1]))
    if plain - rss < 25.0 * rss / max(len(y) - 8, 1) or size < max(0.05 * noise, 3e-4 * float(np.abs(y).max())):
        return np.zeros_like(current_a), ""
    w = 2 * np.pi * hertz
    wave = found[0] * np.cos(w * time_s) + found[1] * np.sin(w * time_s)
    return np.asarray(wave, dtype=np.float64), f"hum of {hertz:.0f} Hz, {1e3 * size:.2g} mA, was taken out"


def _rest(design: Samples, y: Samples) -> tuple[Samples, float]:
    found = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], dtype=np.float64)
    return found, float(np.sum((y - design @ found) ** 2))
