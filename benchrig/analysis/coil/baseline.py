"""What lies under a coil current: the converter's step and its end, its zero, and hum."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.smoothing import distinct

__all__ = ["Hum", "clipping", "hum_of", "is_cut", "settled_rest", "slowness", "step_of", "zero_of"]

SETTLING = (0.08, 0.25, 0.8)  # time constants of what a tail may still lack, shares of its length
CYCLES, CYCLES_ALONE = 1.9, 2.9  # of hum that must be there: in all quiet stretches, in the tail alone
LEAST_HUM = 1.5e-3  # of the largest current: less does no harm, and slow iron imitates it
WHITE = 1.05  # residuals over those of the noise below which no hum is looked for: 0.3 of the noise at most
HUM_CLEAR = 23.0  # fall of the residuals, in variances, for which two parameters and two frequencies need luck


@dataclass(frozen=True)
class Hum:
    """The wave over the whole record, the standard uncertainty of its size, and words; empty without hum."""

    wave: Samples
    u_a: float
    words: str


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
    if not (noise > step and float(np.mean(quiet == lowest)) > max(0.03, 2.0 / n) and _piles_up(quiet, lowest)):
        # an ADC step averages out only where the noise is larger
        coarse = 0.29 * step if noise < 0.5 * step else 0.0
        return mean, float(np.hypot(max(noise, 0.3 * step) / n**0.5, coarse))
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


def _piles_up(quiet: Samples, lowest: float) -> bool:
    """More samples lie on the lowest value than on the next: noise that is cut off, not the last of its steps."""
    above = quiet[quiet > lowest]
    return len(above) == 0 or bool(np.count_nonzero(quiet == lowest) > 1.2 * np.count_nonzero(above == above.min()))


def hum_of(
    time_s: Samples, current_a: Samples, quiet: list[slice], tail: slice, late: slice | None, noise: float
) -> Hum:
    """Sine of 50 or 60 Hz that the quiet stretches have in common, over the whole record.

    Each stretch has its own level. The pulse's last stretch and that of the decay have what an unsettled coil adds
    besides: three exponentials. Hum is claimed only when

    - the stretches hold about two cycles of it, the tail alone three;
    - it explains the samples better than its two parameters must by chance (1 in 10,000 records of white noise);
    - the stretches without current, if they hold a cycle, show it too.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on, A.
    quiet : list of slice
        Stretches to look at.
    tail, late : slice
        Those of them that may still be settling, in the pulse and at the end of the decay.
    noise : float
        Standard deviation of one sample, A.

    Returns
    -------
    Hum
        All zeros and no words where there is none.
    """
    settling = (tail, late)
    none = Hum(np.zeros_like(current_a), 0.0, "")
    where = np.concatenate([np.arange(s.start, s.stop) for s in quiet]) if quiet else np.zeros(0, dtype=np.int64)
    if len(where) < 40 or noise <= 0.0:
        return none
    t, y = time_s[where], current_a[where]
    own = []
    others = np.zeros(len(where), dtype=np.bool_)
    lasts = tail_s = 0.0
    for s in quiet:
        inside = (where >= s.start) & (where < s.stop)
        own.append(inside.astype(np.float64))
        length = float(t[inside][-1] - t[inside][0])
        if s in settling:
            along = np.where(inside, (t - float(t[inside][0])) / max(length, 1e-9), 0.0)
            own += [np.where(inside, np.exp(-along / tau), 0.0) for tau in SETTLING]
        if s == tail:
            tail_s = length
        else:
            lasts += length
            others |= inside
    plain = _rest(np.stack(own, axis=1), y)[1]
    if plain < WHITE * noise**2 * len(y):
        return none
    best: tuple[float, float, Samples, Samples] | None = None
    for hertz in (50.0, 60.0):
        w = 2 * np.pi * hertz
        design = np.stack([np.cos(w * t), np.sin(w * t), *own], axis=1)
        found, rss = _rest(design, y)
        if best is None or rss < best[0]:
            best = (rss, hertz, found, design)
    assert best is not None
    rss, hertz, found, design = best
    if (lasts + tail_s) * hertz < CYCLES or (lasts * hertz < 0.9 and tail_s * hertz < CYCLES_ALONE):
        return none
    variance = max(rss / max(len(y) - design.shape[1], 1), noise**2)
    size = float(np.hypot(found[0], found[1]))
    if plain - rss < HUM_CLEAR * variance or size < max(0.05 * noise, LEAST_HUM * float(np.abs(y).max())):
        return none
    if lasts * hertz >= 0.9:
        # without current there is nothing but hum: it must be there, and the same
        apart = design[others][:, np.abs(design[others]).max(axis=0) > 0.0]
        alone = np.linalg.pinv(apart.T @ apart)
        gap = found[:2] - (alone @ (apart.T @ y[others]))[:2]
        if float(gap @ gap) > max(0.25 * size**2, 25.0 * variance * float(alone[0, 0] + alone[1, 1])):
            return none
    covariance = np.linalg.pinv(design.T @ design)[:2, :2] * variance
    w = 2 * np.pi * hertz
    wave = found[0] * np.cos(w * time_s) + found[1] * np.sin(w * time_s)
    u = float(np.trace(covariance)) ** 0.5
    return Hum(np.asarray(wave, dtype=np.float64), u, f"hum of {hertz:.0f} Hz, {1e3 * size:.2g} mA, was taken out")


def slowness(values: Samples, noise: float, span: int) -> float:
    """How much more the means of `span` samples scatter than white noise of this size would have them.

    1.0 for white noise; more for 1/f noise and ripple, which averaging does not take away.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Samples whose course has been taken out.
    noise : float
        Standard deviation of one sample.
    span : int
        Samples in a mean.

    Examples
    --------
    >>> round(slowness(np.random.default_rng(2).normal(0.0, 1.0, 6000), 1.0, 10))
    1
    """
    count = len(values) // span
    if count < 6 or noise <= 0.0:
        return 1.0
    means = values[: count * span].reshape(count, span).mean(axis=1)
    ratio = float(np.sqrt(np.mean(means**2) * span)) / noise
    # 1 in 1,000 records of white noise lies above
    return ratio if ratio > 1.0 + 3.1 / (2.0 * count) ** 0.5 else 1.0


def settled_rest(values: Samples) -> Samples:
    """What is left of the end of a pulse when a level and three exponentials are taken out."""
    late = np.linspace(0.0, 1.0, len(values))
    design = np.stack([np.ones_like(late), *(np.exp(-late / tau) for tau in SETTLING)], axis=1)
    return np.asarray(values - design @ _rest(design, values)[0], dtype=np.float64)


def _rest(design: Samples, y: Samples) -> tuple[Samples, float]:
    # the normal equations: columns are of size one and few, and no text of LAPACK's can reach the standard output
    normal = design.T @ design
    normal.flat[:: len(normal) + 1] += 1e-10 * len(y)
    found = np.asarray(np.linalg.solve(normal, design.T @ y), dtype=np.float64)
    return found, float(np.sum((y - design @ found) ** 2))


def clipping(rise_a: Samples, noise: float, step: float, back: int) -> str:
    """Words when the converter ran into its end; empty when it did not.

    Parameters
    ----------
    rise_a : ndarray, shape (n,)
        The pulse as recorded, A.
    noise, step : float
        Standard deviation of one sample, and the converter's step, A.
    back : int
        Samples before the first of the highest value in which it must have been reached steeply.
    """
    highest_a = float(rise_a.max())
    at_top = rise_a >= highest_a - 1e-9 * abs(highest_a)
    share = np.count_nonzero(at_top) / len(rise_a)
    if share < 0.05 or highest_a <= 0.0:
        return ""
    first = int(np.argmax(at_top))
    before = rise_a[max(0, first - back) : first]
    # a steady current on one ADC step is no clipping: then the approach is flat and the noise under a step
    least = max(3.0 * (step + noise), 5e-3 * highest_a)
    steep = len(before) > 0 and highest_a - float(before.min()) > least
    noisy = noise > 1.0 * step > 0.0
    if steep or noisy:
        return (
            f"the current is cut off at {highest_a:.4g} A for {100 * share:.0f} % of the pulse: "
            "the converter is at its end"
        )
    return ""
