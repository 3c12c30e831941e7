"""When the coil was switched off, from the current or from the voltage at its terminals."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.coil.one_pulse import first_pulse
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.smoothing import noise_of

__all__ = ["find_release", "release_of", "told_wrong", "voltage_falls"]

FEWEST = 12  # samples after switch-on
AT_ONCE = 0.07  # of the fall in the first 2 ms that must be there after 0.5 ms: a coil's current falls fastest at first
LEVEL_S, LEVEL_TIMES = 8e-3, 1.5  # how long a current must stay level, and how many times as long as it took to fall
LEVEL_LEAST, LEVEL_CHANGE = 0.04, 0.12  # parts of the full current and of the level: least level, most change
LEVEL_RANGE, LEVEL_SD = 0.1, 5.0  # part of the level, and standard deviations, by which its eighths may differ
FULL_PART = 0.06  # of the level by which the current may lie below it and count as full: hum does
AT_THE_COIL = 0.3  # of its value in the pulse: a voltage below this without current is that of the coil's terminals


def release_of(
    time_s: Samples, current: Samples, voltage: Samples | None, off_s: float | None, dt: float, notes: list[str]
) -> tuple[float, float | None, bool]:
    """Release of the first pulse, told or found.

    Parameters
    ----------
    time_s, current : ndarray, shape (n,)
        Seconds from switch-on, evenly spaced; A.
    voltage : ndarray, shape (n,), or None
        V.
    off_s : float or None
        Release as told.
    dt : float
        Sample interval, s.
    notes : list of str
        What was seen is added.

    Returns
    -------
    float, float or None, bool
        Release, beyond the record when it is not in it; when a second pulse begins; whether the told one is wrong.
    """
    beyond = float(time_s[-1]) + dt
    _, later = first_pulse(time_s, current, dt)
    edges = voltage_falls(time_s, voltage) if voltage is not None else None
    wrong: float | None = None
    found: float | None
    if off_s is not None:
        found = off_s
        if later is not None and later < off_s:
            later = None  # an interruption within the pulse
        wrong = told_wrong(time_s, current, off_s, dt) if off_s < time_s[-1] else None
        if wrong is not None:
            notes.append(
                f"the current falls at {1e3 * wrong:.1f} ms, not at {1e3 * off_s:.1f} ms as told: the fall was used; "
                "no drop-out is stated, as a trip or lost samples may be the cause"
            )
            found = wrong
    elif edges is not None:
        found = edges[1]
        if found < beyond:
            notes.append(f"release found at {1e3 * found:.1f} ms from the coil's voltage")
    else:
        found = find_release(time_s, current, dt)
        if found is not None:
            alone = time_s < (np.inf if later is None else later - 2e-3)
            found = _after_a_level(time_s[alone], current[alone], found, dt)
            notes.append(f"release found at {1e3 * found:.1f} ms from the current alone")
    if later is not None:
        notes.append(
            f"a second pulse begins at {1e3 * later:.1f} ms (sample {int(np.searchsorted(time_s, later))}): "
            "only the first was analysed; cut the record to look at another"
        )
    return (beyond if found is None or found >= time_s[-1] else found), later, wrong is not None


def find_release(time_s: Samples, current_a: Samples, dt: float) -> float | None:
    """When the current of the first pulse leaves its final level, or None if it never does.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on, evenly spaced; A.
    dt : float
        Sample interval, s.
    """
    width = max(3, round(5e-4 / dt))
    if np.count_nonzero(time_s > 0.0) < FEWEST:
        return None
    gone, _ = first_pulse(time_s, current_a, dt)
    if gone is not None:
        seen = time_s <= gone + 2e-3
        time_s, current_a = time_s[seen], current_a[seen]
    smooth = np.convolve(current_a, np.ones(width) / width, "same")
    after = time_s > 0.0
    if gone is None:
        top = float(np.quantile(smooth[after], 0.9))
        if float(smooth[-width:].mean()) > 0.5 * top:
            return None
    else:
        # the level before the last fall
        half = np.flatnonzero(after & (smooth > 0.5 * float(smooth[after].max(initial=0.0))))
        if len(half) == 0:
            return None
        top = float(np.median(current_a[max(0, int(half[-1]) - 40 * width) : max(1, int(half[-1]) - 10 * width)]))
        top = max(top, 0.5 * float(smooth[after].max()))
    high = np.flatnonzero(after & (smooth > 0.5 * top))
    if len(high) == 0 or top <= 0.0:
        return None
    last = int(high[-1])
    if last >= len(time_s) - width:
        return None
    # the current falls steeply and at once: back to where it was still full
    noise = noise_of(current_a)
    coarse, level = last, 0.0
    for _ in range(12):
        before = float(np.median(current_a[max(0, coarse - 40 * width) : max(1, coarse - 10 * width)]))
        if before < 1.02 * level:
            break
        level = before
        full = np.flatnonzero(smooth[: last + 1] > level - max(FULL_PART * level, 3.0 * noise / width**0.5))
        coarse = int(full[-1]) if len(full) else last
    # a line before, a step and a parabola after: the joint that fits best
    side = max(6, round(1.5e-3 / dt))
    tries = range(max(1, coarse - side), min(len(time_s) - 4, coarse + side))
    if len(tries) == 0:
        return float(time_s[coarse])
    first, end = max(0, tries.start - 4 * side), min(len(time_s), tries.stop + side)
    costs = []
    for k in tries:
        costs.append(_rest(current_a[first:k], 1 if k - first > 2 * side else 0) + _rest(current_a[k:end], 2))
    k = tries.start + int(np.argmin(costs))
    return float(time_s[k]) - 0.5 * dt


def _after_a_level(time_s: Samples, current_a: Samples, fell_s: float, dt: float) -> float:
    """Release after a level at which the current stays once it has fallen, as under a supply that sank; else as found.

    A coil's current through a diode never stays: in the time in which it fell it loses most of what is left. An
    armature that moves back holds it for a while, but not so level for so long.
    """
    width = max(3, round(1e-3 / dt))
    begin = int(np.searchsorted(time_s, fell_s))
    before = current_a[max(0, begin - 6 * width) : max(begin - width, 1)]
    after = current_a[begin:]
    if len(before) < 3 or len(after) < 6 * width:
        return fell_s
    full, noise = float(np.median(before)), noise_of(current_a[max(0, begin - 40 * width) : begin])
    zero = float(np.median(after[-max(3, len(after) // 8) :]))
    full -= zero
    smooth = np.convolve(after - zero, np.ones(width) / width, "valid")
    taken = int(np.argmax(smooth < 0.37 * full))
    span = max(round(LEVEL_S / dt), round(LEVEL_TIMES * taken))
    if full <= 0.0 or taken == 0 or len(smooth) <= span:
        return fell_s
    sums = np.concatenate([[0.0], np.cumsum(after - zero)])
    half = span // 2
    first = (sums[half : len(sums) - half] - sums[: len(sums) - 2 * half]) / half
    second = (sums[2 * half :] - sums[half : len(sums) - half]) / half
    least = max(LEVEL_LEAST * full, 10.0 * noise / half**0.5)
    alike = (second > least) & (np.abs(first - second) < LEVEL_CHANGE * second) & (first < 0.9 * full)
    # hum, and the hump of an armature that returns, have halves alike too, but are not level
    eighth = max(1, span // 8)
    parts = (sums[eighth:] - sums[:-eighth]) / eighth
    begins = np.flatnonzero(alike)
    begins = begins[begins + 7 * eighth < len(parts)]
    eighths = parts[begins[:, None] + eighth * np.arange(8)]
    range_most = LEVEL_RANGE * second[begins] + LEVEL_SD * noise / eighth**0.5
    stays = begins[np.ptp(eighths, axis=1) < range_most]
    if len(stays) == 0:
        return fell_s
    at = int(stays[-1])
    level = float(second[at])
    fallen = np.flatnonzero(smooth[at + half :] < 0.7 * level)
    return float(time_s[begin + at + half + int(fallen[0]) + width // 2]) if len(fallen) else fell_s


def _rest(values: Samples, order: int) -> float:
    """Residual sum of squares about a polynomial."""
    t = np.linspace(-1.0, 1.0, len(values))
    basis = np.linalg.qr(np.vander(t, order + 1))[0]
    centred = values - values.mean()
    inside = basis.T @ centred
    return float(centred @ centred - inside @ inside)


def told_wrong(time_s: Samples, current_a: Samples, off_s: float, dt: float) -> float | None:
    """When the current falls, if that is clearly not when the release is said to be; else None.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on, evenly spaced; A.
    off_s : float
        Release as told.
    dt : float
        Sample interval, s.
    """
    few = max(3, round(3e-4 / dt))
    k = int(np.searchsorted(time_s, off_s))
    if k < 12 * few or k + 8 * few > len(time_s):
        return None
    level = float(np.median(current_a[k - 12 * few : k - 6 * few]))
    before, after = float(current_a[k - few : k].mean()), float(current_a[k + 5 * few : k + 8 * few].mean())
    noise = noise_of(current_a[k - 12 * few : k - few])
    apart = max(6.0 * noise / few**0.5, 0.04 * abs(level))
    at_once = before - float(current_a[k + few : k + 2 * few].mean())
    begins = at_once > AT_ONCE * (before - after) - 3.0 * noise / few**0.5
    if level <= 0.0 or (before > level - apart and after < before - 0.5 * apart and begins):
        return None
    found = find_release(time_s, current_a, dt)
    return found if found is not None and abs(found - off_s) > max(4e-4, 2.0 * dt) else None


def voltage_falls(time_s: Samples, voltage_v: Samples) -> tuple[float, float] | None:
    """Switch-on and release by a voltage measured at the coil's own terminals; None for that of a supply.

    Parameters
    ----------
    time_s, voltage_v : ndarray, shape (n,)
        Seconds from switch-on, V.

    Returns
    -------
    tuple of float, or None
        The release is infinite when the voltage does not fall within the record.
    """
    high = float(voltage_v.max())
    if high <= 0.0 or float(voltage_v.min()) > AT_THE_COIL * high:
        return None
    high = float(np.quantile(voltage_v, 0.95))
    if high <= 0.0 or float(np.quantile(voltage_v, 0.02)) > AT_THE_COIL * high:
        return None
    on = np.flatnonzero((voltage_v > 0.5 * high) & (time_s > -2e-3))
    if len(on) == 0:
        return None
    low = np.flatnonzero(voltage_v[on[0] :] < 0.5 * high)
    # two low samples in a row, so that noise releases nothing
    low = low[np.flatnonzero(np.append(np.diff(low) == 1, True))] if len(low) > 1 else low
    dt = float(time_s[1] - time_s[0])
    begin = float(time_s[on[0]]) - 0.5 * dt
    return begin, float(time_s[on[0] + low[0]]) - 0.5 * dt if len(low) else float("inf")
