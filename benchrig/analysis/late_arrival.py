"""Whether an armature had arrived where the current first bends upwards, or was only slowed down there.

With the gap closed the current of a coil rises fastest at once and ever more slowly after. Where it rises clearly
faster some time later, the armature was still on its way until then: gas, a spring or friction slowed it, and the
current turned; the arrival is a second bend, often a faint one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchrig.analysis.kinks import Instant, best_kink
from benchrig.analysis.results import Samples

__all__ = ["still_slow"]

LOOK_S = 14e-3  # how long after the bend a faster rise is looked for
SLOPE_S = (1.5e-3, 3e-3, 6e-3)  # windows for the slope; the longer ones where noise hides it
SLOPE_CLEAR = 8.0  # standard deviations of the steepest
PART = 0.45  # of the steepest slope that a rise with the gap closed has at once: 99.9 % of 1,170 arrivals had
LATER_S = 1.5e-4  # by which the faster rise must be later
SIDES_S = (0.4e-3, 0.6e-3, 1e-3, 2e-3, 4e-3)
LIKELY = 0.25  # standard uncertainty of a second bend, of its distance from the first
CLEARER, SURE = 3.0, 10.0  # clearness of a later bend over the first, and its own, at which both may be the arrival
LATER_BEND_S = 4e-3  # how long after the first such a bend is looked for


def still_slow(rise: Samples, arrival: Instant, noise: float, dt: float) -> Instant:
    """The arrival as it was found, or a later one with an interval over both.

    Parameters
    ----------
    rise : ndarray, shape (n,)
        Current of the rise over the full current.
    arrival : Instant
        Bend taken for the arrival, from the first sample.
    noise : float
        Standard deviation of one sample.
    dt : float
        Sample interval, s.
    """
    first = round(arrival.s / dt)
    delay, window = _faster_after(rise, first, noise, dt)
    if delay * dt >= LATER_S:
        last = min(first + delay + window, len(rise) - 5)
        low = first + max(int(0.7 * delay), 2)
        later = best_kink(rise, noise, dt, low, last, 1.0, SIDES_S, bent=True) if last > low + 5 else None
        end_s = later.s if later is not None and later.clear > 3.0 else (first + delay + 0.5 * window) * dt
        u = float(np.hypot(LIKELY * (end_s - arrival.s), 0.3 * window * dt))
        found = replace(later or arrival, s=end_s, u_s=u)
        between = rise[first : max(last, first + 1)]
        level_u = float(np.hypot(found.level_u, 0.3 * float(np.ptp(between))))
        return replace(found, clear=max(arrival.clear, found.clear), jump=arrival.jump, level_u=level_u)
    begin = first + max(round(4e-4 / dt), 3)
    last = min(first + round(LATER_BEND_S / dt), len(rise) - 5)
    if last < begin + 5:
        return arrival
    later = best_kink(rise, noise, dt, begin, last, 1.0, SIDES_S, bent=True)
    if later is None or later.clear < max(SURE, CLEARER * arrival.clear):
        return arrival
    apart = later.s - arrival.s
    level_u = float(np.hypot(later.level_u, abs(later.level - arrival.level)))
    return replace(later, s=arrival.s + 0.5 * apart, u_s=float(np.hypot(arrival.u_s, 0.5 * apart)), level_u=level_u)


def _faster_after(rise: Samples, first: int, noise: float, dt: float) -> tuple[int, int]:
    """Samples from the bend until the current rises nearly as fast as it will, and the window's length."""
    delay = count = 0
    for window_s in SLOPE_S:
        count = max(4, round(window_s / dt))
        end = min(len(rise), first + round(LOOK_S / dt) + count)
        if first < 0 or end - first < 2 * count + 3:
            return 0, count
        k = np.arange(count) - 0.5 * (count - 1)
        slopes = np.convolve(rise[first:end], k[::-1] / float(k @ k), "valid")
        steepest = float(slopes.max())
        delay = int(np.argmax(slopes >= PART * steepest))
        if steepest > SLOPE_CLEAR * noise / float(k @ k) ** 0.5:
            return delay, count
    return delay, count
