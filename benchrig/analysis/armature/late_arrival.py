"""Whether an armature had arrived where the current first bends upwards, or was only slowed down there.

With the gap closed the current of a coil rises fastest at once and ever more slowly after. Where it rises clearly
faster some time later, the armature was still on its way until then: gas, a spring or friction slowed it, and the
current turned; the arrival is a second bend, often a faint one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchrig.analysis.coil.flux_linkage import Branches
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.kinks import Instant, best_kink
from benchrig.analysis.statistics.smoothing import local_quadratic

__all__ = ["seated_at", "still_slow"]

LOOK_S = 14e-3  # how long after the bend a faster rise is looked for
SLOPE_S = (1.5e-3, 3e-3, 6e-3)  # windows for the slope; the longer ones where noise hides it
SLOPE_CLEAR = 8.0  # standard deviations of the steepest
PART = 0.45  # of the steepest slope that a rise with the gap closed has at once: 99.9 % of 1,170 arrivals had
FALL, FALL_SD, FALL_S = 0.015, 4.0, 3e-4  # of the full current and standard deviations; longer than fits shift a bottom
BOUNCED, BEFORE_S = 0.35, 3e-3  # a fall of no more than this part of the fall before the bend is a bounce's
LATER_S = 1.5e-4  # by which the faster rise must be later
SIDES_S = (0.4e-3, 0.6e-3, 1e-3, 2e-3, 4e-3)
# of the way from the first bend to the second: the arrival, its standard uncertainty
LATE_PART, LIKELY = 0.7, 0.4
CLEARER, SURE = 3.0, 10.0  # clearness of a later bend over the first, and its own, at which both may be the arrival
# At the arrival the current of the rise is back on that of the decay at the same flux, but for iron: of 1,100 arrivals
# in records by other physics 99 % were within the first part of the hump. One that is not has stopped on its way.
SEATED, OPEN, WIDE_OPEN, OPEN_LEAST, OPEN_SD = 0.2, 0.26, 0.5, 0.04, 8.0
AFTER_S, SECOND_S, SECOND_CLEAR = 5e-4, 15e-3, 5.0
# A bounce opens the gap again by the square of what it keeps of the speed, for no longer than the flight took. Of 2,380
# bends taken for arrivals in records by other physics 8 had a second hump higher than the first of these parts of the
# hump before them, 4 of which were none; and one, which was none, had one that lasted so many flights.
# One that is higher than a part and lasts longer than a flight (`AGAIN_BOTH`) may be either: of 3,300 ten, two none.
AGAIN_BOTH = (0.3, 1.05)
AGAIN, AGAIN_LASTS, AGAIN_SLOW, AGAIN_LEAST, CLOSED = 0.5, 1.9, 0.2, 0.03, 0.3
LATER_BEND_S = 4e-3  # how long after the first such a bend is looked for
# A first bend this faint, and a later one of such parts of its clearness and sharpness: either may be the arrival.
FAINT, AS_CLEAR, AS_SHARP = 10.0, 0.7, 0.5


def seated_at(b: Branches, arrival: Instant, noise: float, dt: float) -> Instant | None:
    """The arrival as it was found; where the gap was not closed then, an interval to the next bend; None without one.

    Parameters
    ----------
    b : Branches
        Rise and decay against flux.
    arrival : Instant
        Bend taken for the arrival, from the first sample.
    noise : float
        Standard deviation of one sample, over the full current.
    dt : float
        Sample interval, s.
    """
    if not _open_after(b, arrival, noise, dt, OPEN):
        return _opens_again(b, arrival, noise, dt)
    low = round((arrival.s + AFTER_S) / dt)
    high = min(round((arrival.s + SECOND_S) / dt), len(b.rise) - 5)
    later = best_kink(b.rise, noise, dt, low, high, 1.0, SIDES_S, bent=True) if high > low + 5 else None
    if later is None or later.clear < SECOND_CLEAR or _open_after(b, later, noise, dt, SEATED):
        return None
    # or the first was the arrival after all, and a bounce opened the gap again
    return _either(arrival, later)


def _opens_again(b: Branches, arrival: Instant, noise: float, dt: float) -> Instant:
    """The arrival as found; with an interval to the end of a second hump where that is none of a bounce."""
    half = max(2, round(4e-4 / dt))
    at = round(arrival.s / dt)
    if at < 5 or at > len(b.rise) - 10:
        return arrival
    full = float(b.rise_flux[-1])
    late = (b.rise_flux > float(b.rise_flux[at]) * 0.7 + 0.3 * full) & (b.rise_flux < 0.95 * full)
    if np.count_nonzero(late) < 5:
        return arrival
    apart = local_quadratic(b.apart, half)
    rest = float(np.median(apart[late]))
    top = int(np.argmax(apart[:at]))
    hump = float(apart[top]) - rest
    after = apart[at : at + round(SECOND_S / dt)]
    after = after[: max(4, int(np.count_nonzero(b.rise_flux[at : at + len(after)] < 0.95 * full)))]
    rises = after - np.minimum.accumulate(after)
    peak = int(np.argmax(rises))
    sd = noise * (4.5 / (2 * half + 1)) ** 0.5
    second = float(rises[peak])
    if hump < AGAIN_LEAST or second < max(4.0 * sd, AGAIN_SLOW * hump):
        return arrival
    base = max(float(after[: peak + 1].min()), rest)
    closed = np.flatnonzero(after[peak:] < base + CLOSED * max(float(after[peak]) - base, 0.0))
    end = peak + (int(closed[0]) if len(closed) else len(after) - 1 - peak)
    before = np.flatnonzero(apart[:top] < rest + CLOSED * hump)
    flight = at - (int(before[-1]) if len(before) else 0)
    lasts = end > AGAIN_LASTS * flight and second - 4.0 * sd > AGAIN_SLOW * hump
    lasts = lasts or (end > AGAIN_BOTH[1] * flight and second - sd > AGAIN_BOTH[0] * hump)
    if second - sd < AGAIN * hump and not lasts:
        return arrival
    low, high = at + peak, min(at + end + round(1e-3 / dt), len(b.rise) - 5)
    later = best_kink(b.rise, noise, dt, low, high, 1.0, SIDES_S, bent=True) if high > low + 5 else None
    if later is None or later.clear < 3.0:
        later = replace(arrival, s=(at + end) * dt)
    return _either(arrival, later)


def _either(first: Instant, later: Instant) -> Instant:
    """The later bend with an interval over both."""
    apart = later.s - first.s
    level_u = float(np.hypot(later.level_u, abs(later.level - first.level)))
    return replace(later, s=first.s + 0.5 * apart, u_s=float(np.hypot(first.u_s, 0.5 * apart)), level_u=level_u)


def _open_after(b: Branches, arrival: Instant, noise: float, dt: float, most: float, after_s: float = AFTER_S) -> bool:
    """Shortly after the bend the rise is still above the decay, by more than this part of its hump."""
    half = max(2, round(4e-4 / dt))
    at = round(arrival.s / dt)
    if at < 5 or at >= len(b.rise_flux) or not bool(np.isfinite(b.apart).any()):
        return False
    apart = local_quadratic(b.apart, half)
    flux, full = float(b.rise_flux[at]), float(b.rise_flux[-1])
    late = (b.rise_flux > flux + 0.3 * (full - flux)) & (b.rise_flux < 0.95 * full)
    if np.count_nonzero(late) < 5:
        return False
    rest = float(np.median(apart[late]))
    hump = float(apart[:at].max()) - rest
    if not hump > max(OPEN_LEAST, OPEN_SD * noise * (4.5 / (2 * half + 1)) ** 0.5):
        return False
    return float(apart[min(at + round(after_s / dt), len(apart) - 1)]) - rest > most * hump


def still_slow(b: Branches, arrival: Instant, noise: float, dt: float) -> Instant:
    """The arrival as it was found, or a later one with an interval over both.

    Parameters
    ----------
    b : Branches
        Rise and decay against flux.
    arrival : Instant
        Bend taken for the arrival, from the first sample.
    noise : float
        Standard deviation of one sample.
    dt : float
        Sample interval, s.
    """
    rise, first = b.rise, round(arrival.s / dt)
    delay, window = _faster_after(rise, first, noise, dt)
    # a bounce delays the rise too: but the gap was closed, and the current does not fall on
    if delay * dt >= LATER_S and (
        _falls_on(b, first, delay + window, noise, dt) or _open_after(b, arrival, noise, dt, WIDE_OPEN, 2e-4)
    ):
        last = min(first + delay + window, len(rise) - 5)
        low = first + max(int(0.7 * delay), 2)
        later = best_kink(rise, noise, dt, low, last, 1.0, SIDES_S, bent=True) if last > low + 5 else None
        end_s = later.s if later is not None and later.clear > 3.0 else (first + delay + 0.5 * window) * dt
        apart = end_s - arrival.s
        u = float(np.hypot(LIKELY * apart, 0.2 * window * dt))
        found = replace(later or arrival, s=arrival.s + LATE_PART * apart, u_s=u)
        between = rise[first : max(last, first + 1)]
        level_u = float(np.hypot(found.level_u, 0.3 * float(np.ptp(between))))
        return replace(found, clear=max(arrival.clear, found.clear), jump=arrival.jump, level_u=level_u)
    begin = first + max(round(4e-4 / dt), 3)
    last = min(first + round(LATER_BEND_S / dt), len(rise) - 5)
    if last < begin + 5:
        return arrival
    later = best_kink(rise, noise, dt, begin, last, 1.0, SIDES_S, bent=True)
    if later is None:
        return arrival
    alike = later.clear > max(SECOND_CLEAR, AS_CLEAR * arrival.clear) and later.jump > AS_SHARP * arrival.jump
    if later.clear < max(SURE, CLEARER * arrival.clear) and not (arrival.clear < FAINT and alike):
        return arrival
    return _either(arrival, later)


def _falls_on(b: Branches, first: int, count: int, noise: float, dt: float) -> bool:
    """The current is clearly lower some time after the bend than at it."""
    if not 0 <= first < len(b.rise_smooth):
        return False
    sd = noise * (2.25 / (2 * max(2, round(4e-4 / dt)) + 1)) ** 0.5
    after = b.rise_smooth[first : first + count]
    lowest = int(np.argmin(after))
    fall = float(after[0] - after[lowest])
    fell = float(b.rise_smooth[max(0, first - round(BEFORE_S / dt)) : first + 1].max() - after[0])
    return fall > max(FALL, FALL_SD * sd, BOUNCED * fell) and lowest * dt > FALL_S


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
