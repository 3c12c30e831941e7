"""Whether a record is one pulse of a coil on an unbroken supply, and which part of it is."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.kinks import best_kink

__all__ = ["Break", "find_break", "first_pulse", "turning_points"]

MEAN_S = 4e-4  # the current is looked at through a running mean this long
SWING = 0.03  # share of the largest current that a fall or rise must have to count ...
SWING_SD = 7.0  # ... and standard deviations of the running mean
LOWER = 0.04  # share by which the end of the pulse may lie below its highest current
MANY = 6  # swings after the highest current: no armature makes so many
GONE = 0.12  # share of the highest current below which a pulse is over
QUIET_S = 3e-3  # for how long
BEND_S = (0.6e-3, 1e-3, 2e-3)  # windows for the bends at which a fall begins and ends
MORE = 1.06  # of that level that the current may reach later: one that had settled does not rise further
SETTLED_S = 2.5e-3  # that the current must have been flat before a fall that is the supply's
# A fall while the current still rises is the supply's where it has the shape of a decay: from its top on its mean
# height is below this part (a straight line's is 0.5, an armature's that gathers speed 0.6 and more), and its second
# quarter is so much quicker than its fourth; least depth, over the highest current, and least time, beyond that of
# contacts that bounce. None of 360 sound pulses in records by other physics was taken for one (seeds 7101 and 7102).
DECAYS, QUICKER, DEEP, LASTS_S = 0.52, 1.2, 0.1, 1.5e-3
# The same parts where the current has fallen before, as at an arrival.
DECAYS_AGAIN, QUICKER_AGAIN = 0.57, 1.15
# And the armature has arrived before: standard deviations of a bend upwards, so long before the fall.
ARRIVED, ARRIVED_S, TOP_S = 6.0, 1e-3, 1.5e-3


@dataclass(frozen=True)
class Break:
    """Where the pulse ceases to be a coil on a constant supply.

    Attributes
    ----------
    at_s : float
        From switch-on; the rise is good until then.
    resumes : bool
        The current comes back to where it was, so the decay at the end is that of the same coil.
    note : str
        What was seen and what to do.
    early : bool
        The current had not settled before: what the rise and the decay say of the flux do not fit together.
    back_s : float
        When the current was back, from switch-on; 0.0 when it does not come back.
    """

    at_s: float
    resumes: bool
    note: str
    early: bool = False
    back_s: float = 0.0


def _running(current_a: Samples, dt: float) -> tuple[Samples, int]:
    width = max(1, round(MEAN_S / dt))
    if width < 2 or len(current_a) < 3 * width:
        return current_a, 1
    padded = np.concatenate(
        [np.full(width // 2, current_a[0]), current_a, np.full(width - 1 - width // 2, current_a[-1])]
    )
    sums = np.concatenate([[0.0], np.cumsum(padded)])
    return (sums[width:] - sums[:-width]) / width, width


def turning_points(values: Samples, least: float) -> list[int]:
    """Indices at which a curve turns by at least `least`: alternately highest and lowest points, the first included.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Smooth enough that `least` is far above the noise.
    least : float
        Smallest swing.

    Examples
    --------
    >>> turning_points(np.array([0.0, 1.0, 0.9, 2.0, 0.5, 3.0]), 0.5)
    [0, 3, 4, 5]
    """
    found = [0]
    low = high = 0
    up: bool | None = None
    # only local extremes can be turning points
    slope = np.sign(np.diff(values))
    corners = np.flatnonzero(slope[1:] != slope[:-1]) + 1
    for k in (*corners.tolist(), len(values) - 1):
        v = values[k]
        if up is not False and v > values[high]:
            high = k
        if up is not True and v < values[low]:
            low = k
        if up is True and values[high] - v >= least:
            found.append(high)
            up, low = False, k
        elif up is False and v - values[low] >= least:
            found.append(low)
            up, high = True, k
        elif up is None:
            if v - values[low] >= least:
                up, high, found = True, k, [low]
            elif values[high] - v >= least:
                up, low, found = False, k, [high]
    if up is not None:
        found.append(high if up else low)
    return found


def first_pulse(time_s: Samples, current_a: Samples, dt: float) -> tuple[float | None, float | None]:
    """End of the first pulse, roughly, and begin of a second one.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on; A, with its zero near zero.
    dt : float
        Sample interval, s.

    Returns
    -------
    tuple of float or None
        When the current has first gone after the pulse; when a second one begins. None where there is none.
    """
    smooth, _ = _running(current_a, dt)
    highest = float(smooth[time_s >= 0.0].max()) if bool(np.any(time_s >= 0.0)) else 0.0
    if highest <= 0.0:
        return None, None
    on = np.flatnonzero((smooth > 0.5 * highest) & (time_s > 0.0))
    if len(on) == 0:
        return None, None
    low = smooth < GONE * highest
    low[: on[0]] = False
    need = max(3, round(QUIET_S / dt))
    run = np.convolve(low, np.ones(need), "valid")
    quiet = np.flatnonzero(run > need - 0.5)
    if len(quiet) == 0:
        return None, None
    gone = int(quiet[0])
    again = on[on > gone]
    if len(again) == 0:
        return float(time_s[gone]), None
    last_low = np.flatnonzero(low[: again[0]])
    return float(time_s[gone]), float(time_s[last_low[-1]])


def find_break(time_s: Samples, current_a: Samples, decay_a: Samples, noise: float, dt: float) -> Break | None:
    """First place at which the current does what no coil on a constant supply does.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        The pulse: seconds from switch-on; A over its zero.
    decay_a : ndarray, shape (m,)
        The current after release, A; may be empty.
    noise : float
        Standard deviation of one sample.
    dt : float
        Sample interval, s.

    Returns
    -------
    Break or None
        None when the pulse is sound.
    """
    smooth, width = _running(current_a, dt)
    if len(smooth) < 12:
        return None
    highest = float(smooth.max())
    least = max(SWING * highest, SWING_SD * noise * (2.0 / width) ** 0.5)
    if highest <= 0.0 or least > 0.5 * highest:
        return None
    if float((np.maximum.accumulate(smooth) - smooth).max()) < least:
        return None
    stride = max(1, width // 2)
    turns = [stride * k for k in turning_points(smooth[::stride], least)]
    falls = [(a, b) for a, b in pairwise(turns) if smooth[b] < smooth[a]]
    if not falls:
        return None
    last = float(np.median(current_a[-max(5, len(current_a) // 12) :]))
    if len(falls) > MANY:
        begin, end = falls[1][0], falls[-1][0]
        hertz = (len(falls) - 2) / max(float(time_s[end] - time_s[begin]), dt)
        first = _onset(smooth, falls[0])
        return Break(
            float(time_s[first]),
            False,
            f"the current rises and falls {len(falls)} times before the release, {hertz:.0f} times a second, from "
            f"{1e3 * time_s[first]:.1f} ms on: the driver switches (PWM), or the supply ripples; use a plain supply",
        )
    for k, (top, bottom) in enumerate(falls):
        recovers = float(smooth[bottom:].max()) > smooth[top] - 0.03 * highest
        first = _onset(smooth, (top, bottom))
        settled = (
            recovers
            and smooth[top] - smooth[bottom] > 0.06 * highest
            and _is_the_supply(smooth, first, bottom, decay_a, dt)
            and _starts_at_once(current_a, noise, first, bottom, dt)
        )
        if settled or (recovers and _falls_as_a_decay(current_a, smooth, first, bottom, decay_a, noise, dt, k > 0)):
            back = bottom + int(np.argmax(smooth[bottom:] > smooth[top] - 0.03 * highest))
            return Break(
                float(time_s[first]),
                True,
                f"the supply dropped out from {1e3 * time_s[first]:.1f} to {1e3 * time_s[bottom]:.1f} ms (the current "
                f"fell from {smooth[top]:.3g} to {smooth[bottom]:.3g} A and was back at {1e3 * time_s[back]:.1f} ms): "
                "look for a loose contact",
                not settled,
                float(time_s[back]),
            )
        if not recovers and last < (1.0 - LOWER) * smooth[top]:
            # quick: a driver's stage; slow: a sag
            level = float(smooth[max(0, first - 4 * width) : first + 1].mean())
            reached = first + int(np.argmax(smooth[first:] < level - 0.7 * (level - last)))
            if float(time_s[reached] - time_s[first]) < 0.12 * float(time_s[-1] - time_s[first]) + 4e-3:
                return Break(
                    float(time_s[first]),
                    False,
                    f"the current falls from {smooth[top]:.3g} to {last:.3g} A at {1e3 * time_s[first]:.1f} ms and "
                    "stays there: a peak-and-hold driver or a failing supply; use a plain supply",
                )
    return None


def _onset(smooth: Samples, fall: tuple[int, int]) -> int:
    """Last sample before a fall that is still near its top."""
    top, bottom = fall
    near = np.flatnonzero(smooth[top : bottom + 1] > smooth[top] - 0.08 * (smooth[top] - smooth[bottom]))
    return top + int(near[-1])


def _starts_at_once(current_a: Samples, noise: float, first: int, bottom: int, dt: float) -> bool:
    """The fall begins with as sharp a bend as it ends with; an armature's begins gently and ends in a cusp."""
    reach = round(1.2e-3 / dt) + 1
    bends = [
        best_kink(
            current_a, noise, dt, max(0, at - reach), min(at + reach, len(current_a) - 1), sign, BEND_S, bent=True
        )
        for at, sign in ((first, -1.0), (bottom, 1.0))
    ]
    if bends[0] is None or bends[1] is None or bends[0].clear < 4.0:
        return False
    return bends[0].jump > 0.5 * bends[1].jump


def _is_the_supply(smooth: Samples, first: int, bottom: int, decay_a: Samples, dt: float) -> bool:
    """The current was at its full level and flat before it fell, and falls as it does after release.

    An armature falls in while the current still rises, and mostly faster.
    """
    back = max(1, round(SETTLED_S / dt))
    if first < 2 * back:
        return False
    highest = float(smooth[: first + 1].max())
    level, earlier = float(smooth[first - back : first].mean()), float(smooth[first - 2 * back : first - back].mean())
    if level < 0.9 * highest or level - earlier > 0.015 * highest:
        return False
    if float(smooth[bottom:].max()) > MORE * level:
        return False
    return _as_quick_as_the_decay(smooth, first, bottom, decay_a, dt)


def _falls_as_a_decay(
    current_a: Samples,
    smooth: Samples,
    first: int,
    bottom: int,
    decay_a: Samples,
    noise: float,
    dt: float,
    again: bool,
) -> bool:
    """After an arrival the current falls fastest at first, and as it does after release; an armature ends fastest."""
    begin = max(0, first - round(TOP_S / dt))
    top = begin + int(np.argmax(smooth[begin : first + 1]))
    depth, quarter = float(smooth[top] - smooth[bottom]), (bottom - first) // 4
    if depth < DEEP * float(smooth.max()) or (bottom - first) * dt < LASTS_S or len(decay_a) < 20 or quarter < 1:
        return False
    second = float(smooth[first + quarter // 2] - smooth[first + quarter // 2 + quarter])
    fourth = float(smooth[bottom - quarter // 2 - quarter] - smooth[bottom - quarter // 2])
    part = float(np.mean(smooth[top : bottom + 1] - smooth[bottom])) / depth
    decays, quicker = (DECAYS_AGAIN, QUICKER_AGAIN) if again else (DECAYS, QUICKER)
    if part > decays or second < quicker * fourth or not _as_quick_as_the_decay(smooth, first, bottom, decay_a, dt):
        return False
    if again:
        return True
    low, high = round(ARRIVED_S / dt), top - round(ARRIVED_S / dt)
    arrival = best_kink(current_a, noise, dt, low, high, 1.0, BEND_S, bent=True) if high > low + 5 else None
    return arrival is not None and arrival.clear > ARRIVED


def _as_quick_as_the_decay(smooth: Samples, first: int, bottom: int, decay_a: Samples, dt: float) -> bool:
    """Half of the fall takes about as long as the same currents take after release; true where that is not recorded."""
    if len(decay_a) < 20:
        return True
    falls, _ = _running(decay_a, dt)
    begin, half = float(smooth[first]), 0.5 * float(smooth[first] + smooth[bottom])
    taken = int(np.argmax(smooth[first:] < half))
    below = np.flatnonzero(falls < begin), np.flatnonzero(falls < half)
    if len(below[0]) == 0 or len(below[1]) == 0:
        return True
    expected = int(below[1][0]) - int(below[0][0])
    return 0.6 * expected - 2 < taken < 1.6 * expected + 2
