"""What the current probe did to a record, and what of it can be undone: sign, spikes, AC coupling."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.smoothing import noise_of

__all__ = ["couple_dc", "despike", "find_jump", "held_for", "stays_off", "stuck_bit", "turn_round", "zero_moved"]

SPIKE = 8.0  # standard deviations by which one or two samples must stand out of their neighbours
MOST_SPIKES = 0.02  # of the samples; with more the noise is not what it is taken for
TURNED = 6.0  # standard deviations by which the pulse must lie below the lead-in
UNDERSHOOT = 6.0  # standard deviations by which the current must end below its zero
UNDERSHOOT_LEAST = 0.004  # share of the largest current
JUMP, JUMP_LEAST = 8.0, 0.02  # standard deviations, and share of the largest current, that a jump must have
COARSE_S = 1.5e-4  # sample interval from which an armature's dip jumps too
MOVED = 5.0  # standard deviations between the zeros before and after the pulse that are two zeros
STAYS, STAYS_S = 0.25, 3e-3  # part by which it may change within an eighth of the decay, and least length of that
CHANGES, LEVELS = 20, 7  # changes at one rhythm, and levels with one bit alike, that are no chance
ANOTHER = 0.6  # standard uncertainty of a droop that may as well be a zero that moved, of the droop
REFUTED = 4.0  # standard deviations by which the corrected end may still bend


def turn_round(time_s: Samples, current_a: Samples, end_s: float) -> tuple[Samples, str]:
    """Turn the sign when the pulse lies below the zero before it.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on, A.
    end_s : float
        End of the pulse, or of the record.

    Returns
    -------
    tuple of ndarray and str
        Currents, and what was done; empty when nothing was.
    """
    on = (time_s > 0.0) & (time_s < end_s)
    if np.count_nonzero(on) < 8:
        return current_a, ""
    ahead = current_a[time_s < 0.0]
    zero = float(np.median(ahead)) if len(ahead) > 2 else 0.0
    level = float(np.median(current_a[on])) - zero
    lowest, highest = float(current_a[on].min()) - zero, float(current_a[on].max()) - zero
    if level < -TURNED * max(noise_of(current_a[on]), 1e-12) and highest < 0.5 * -lowest and zero + level < 0.0:
        at = int(np.flatnonzero(on)[np.argmin(current_a[on])])
        return -current_a, (
            f"the current is negative ({current_a[at]:.4g} A at sample {at}): the probe is the wrong way round; "
            "analysed with its sign turned"
        )
    return current_a, ""


def despike(current_a: Samples) -> tuple[Samples, str]:
    """Replace one or two samples that stand far out of the median of seven around them.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        A.

    Returns
    -------
    tuple of ndarray and str
        Currents, and what was done; empty when nothing was.
    """
    if len(current_a) < 20:
        return current_a, ""
    # cheap first look: up and down again, or down and up, within two samples
    steps = np.diff(current_a)
    least = 1e-3 * float(current_a.max() - current_a.min())
    if not _up_and_down(steps, SPIKE * least):
        return current_a, ""
    limit = SPIKE * max(noise_of(current_a), least)
    if not _up_and_down(steps, limit):
        return current_a, ""
    padded = np.concatenate([current_a[:3], current_a, current_a[-3:]])
    around = np.lib.stride_tricks.sliding_window_view(padded, 7)
    middle = np.median(around, axis=1)
    # neighbours that spread widely by themselves (an edge) hide no spike
    ordered = np.sort(np.abs(around - middle[:, None]), axis=1)
    out = np.abs(current_a - middle) > np.maximum(limit, 4.0 * ordered[:, 4])
    if not out.any() or float(np.mean(out)) > MOST_SPIKES:
        return current_a, ""
    kept = np.flatnonzero(~out)
    mended = np.interp(np.arange(len(current_a)), kept, current_a[kept])
    count = np.count_nonzero(out)
    spikes = "1 spike was" if count == 1 else f"{count} spikes were"
    return mended, f"{spikes} taken out, the first at sample {int(np.argmax(out))}"


def _up_and_down(steps: Samples, limit: float) -> bool:
    large = np.abs(steps) > 0.7 * limit
    at = np.flatnonzero(large)
    if len(at) < 2:
        return False
    one, two = (
        at[np.append(np.diff(at) == 1, False)],
        at[large[np.minimum(at + 2, len(large) - 1)] & (at + 2 < len(large))],
    )
    return bool(np.any(steps[one] * steps[one + 1] < 0.0) or np.any(steps[two] * steps[two + 2] < 0.0))


def couple_dc(time_s: Samples, current_a: Samples, noise: float, end_s: float) -> tuple[Samples, float, str, str]:
    """Undo an AC-coupled probe.

    A coil that drives its current through a diode never turns it round. When the current ends below the zero before
    switch-on, the probe or an input is AC-coupled, a high-pass of first order in the plain case: ``x = y + 1/T integral
    of y``, with T such that the end comes to zero. The end must then be flat as well; else the record is not used.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on, evenly spaced; A.
    noise : float
        Standard deviation of one sample, A.
    end_s : float
        Release.

    Returns
    -------
    tuple of ndarray, float, str and str
        Currents, relative standard uncertainty of the correction at the end of the pulse, what was done, and why the
        record says nothing.
    """
    ahead = current_a[time_s < 0.0]
    after = np.flatnonzero(time_s >= end_s)
    if len(ahead) < 8 or len(after) < 40:
        return current_a, 0.0, "", ""
    late = after[int(0.6 * len(after)) :]
    zero = float(ahead.mean())
    y = current_a - zero
    size = float(y.max())
    quiet = max(noise, 0.3 * float(y[late].std()), 1e-6 * size, 1e-12)
    level_u = quiet * (1.0 / len(ahead) + 1.0 / len(late)) ** 0.5
    # means over a mains period: hum is no undershoot
    dt = float(time_s[1] - time_s[0])
    span = min(max(5, round(0.02 / dt)), len(after) // 2)
    swept = np.concatenate([[0.0], np.cumsum(y[after])])
    lowest = float((swept[span:] - swept[:-span]).min()) / span
    if -lowest < UNDERSHOOT_LEAST * size:
        return current_a, 0.0, "", ""
    # noise that wanders is no undershoot either
    part = max(span // 4, 1)
    blocks = y[late][: len(late) // part * part].reshape(-1, part).mean(axis=1)
    wander = 0.0
    if len(blocks) > 5:
        basis = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, len(blocks)), 3))[0]
        wander = float(np.sqrt(np.sum((blocks - basis @ (basis.T @ blocks)) ** 2) / (len(blocks) - 3)))
    lowest_u = float(np.hypot(quiet * (1.0 / len(ahead) + 1.0 / span) ** 0.5, wander))
    if -lowest < UNDERSHOOT * lowest_u:
        return current_a, 0.0, "", ""
    sums = np.concatenate([[0.0], np.cumsum(0.5 * (y[1:] + y[:-1]))]) * dt
    # one rate makes the whole late part zero: least squares of y + rate x integral = 0
    rate = -float(sums[late] @ y[late]) / float(sums[late] @ sums[late])
    mended = current_a + rate * sums
    rest = y[late] + rate * sums[late]
    half = len(late) // 2
    bend = float(rest[:half].mean() - rest[half:].mean())
    seen = f"after the pulse the current lies {1e3 * -lowest:.3g} mA below its zero"
    why = f"{seen}: the probe is AC-coupled, or its zero moved; use DC coupling and record again"
    if rate <= 0.0 or abs(bend) > REFUTED * quiet * (4.0 / len(late)) ** 0.5 + 0.002 * size:
        return current_a, 0.0, "", why
    # noise that the running integral gathers, and the uncertainty of the rate
    on_s = max(end_s, dt)
    rate_u = (level_u + 0.1 * quiet) / max(abs(float(sums[late].mean())), 1e-30)
    u = rate_u * float(sums[after[0]]) / size + 0.02 * rate * on_s
    # a droop so slow that it does not recover while one looks may be a zero that moved instead
    recovers = -lowest * rate * dt * len(late) / 2
    if recovers < 2.0 * (REFUTED * quiet * (4.0 / len(late)) ** 0.5 + 0.002 * size):
        u = float(np.hypot(u, ANOTHER * max(rate * float(sums[after[0]]), -lowest) / size))
    note = f"{seen}: the probe is AC-coupled ({1e3 / rate:.3g} ms); its droop was undone"
    return mended, u, note, ""


def find_jump(time_s: Samples, current_a: Samples, noise: float, end_s: float) -> tuple[float, str] | None:
    """First place where the current jumps from one sample to the next, as no coil's does.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on, evenly spaced; A.
    noise : float
        Standard deviation of one sample, A.
    end_s : float
        Release; the current may bend there and at switch-on.

    Returns
    -------
    (float, str) or None
        When, s, and what was seen.
    """
    dt = float(time_s[1] - time_s[0])
    if len(current_a) < 24 or dt > COARSE_S:
        return None
    steps = np.diff(current_a)
    size = np.abs(steps)
    limit = max(JUMP * 2.0**0.5 * noise, JUMP_LEAST * float(current_a.max() - current_a.min()))
    for k in np.flatnonzero(size > limit)[:20]:
        t = float(time_s[k])
        if abs(t) < 6.0 * dt or abs(t - end_s) < 6.0 * dt or k < 8 or k > len(steps) - 9:
            continue
        around = np.concatenate([size[k - 7 : k - 1], size[k + 2 : k + 8]])
        if size[k] > 4.0 * float(around.max()) and max(size[k - 1], size[k + 1]) < 0.6 * size[k]:
            return t, (
                f"the current jumps from {current_a[k]:.3g} to {current_a[k + 1]:.3g} A at {1e3 * t:.1f} ms, "
                f"sample {k}: samples are missing there, or the probe changed its range"
            )
    return None


def zero_moved(before_a: Samples, after_a: Samples, noise: float, full_a: float) -> tuple[float, str]:
    """How far the zero after the pulse is from the one before it, if that is no chance; else 0.0 and no words.

    Parameters
    ----------
    before_a, after_a : ndarray, shape (n,) and (m,)
        Current without pulse, A.
    noise : float
        Standard deviation of one sample, A.
    full_a : float
        Largest current, A.
    """
    if len(before_a) < 8 or len(after_a) < 16:
        return 0.0, ""
    moved = float(after_a[len(after_a) // 2 :].mean() - before_a.mean())
    u = noise * (1.0 / len(before_a) + 2.0 / len(after_a)) ** 0.5
    if abs(moved) < max(MOVED * u, 2e-3 * full_a):
        return 0.0, ""
    return abs(moved), f"the zero of the current moved by {1e3 * moved:.3g} mA during the record: the probe drifts"


def stays_off(after_a: Samples, noise: float, full_a: float, dt: float) -> tuple[float, str]:
    """How far from zero the current stays after the release, if it hardly falls any more; else 0.0 and no words.

    Parameters
    ----------
    after_a : ndarray, shape (n,)
        Current from the release on over the zero before the pulse, A.
    noise : float
        Standard deviation of one sample, A.
    full_a : float
        Largest current, A.
    dt : float
        Sample interval, s.
    """
    part = len(after_a) // 8
    if part < 8 or part * dt < STAYS_S:
        return 0.0, ""
    last, before = float(after_a[-part:].mean()), float(after_a[-2 * part : -part].mean())
    least = max(MOVED * noise * (2.0 / part) ** 0.5, 0.01 * full_a)
    if abs(last) < least or abs(last - before) > STAYS * abs(last):
        return 0.0, ""
    return abs(last), (
        f"at the end the current stays {1e3 * last:.3g} mA off the zero before the pulse: "
        "the probe drifts, or the coil is not off"
    )


def held_for(current_a: Samples) -> tuple[int, int]:
    """How many samples in a row repeat one value throughout, and the first sample of the first whole hold.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        A, as recorded.

    Returns
    -------
    tuple of int
        (1, 0) for a record without holds.

    Examples
    --------
    >>> held_for(np.repeat(np.arange(30.0) ** 2, 4)[1:])
    (4, 3)
    """
    changes = np.flatnonzero(current_a[1:] != current_a[:-1]) + 1
    if len(changes) < CHANGES or 2 * len(changes) > len(current_a) + 2:
        return 1, 0
    rhythm = int(np.gcd.reduce(np.diff(changes)))
    return (rhythm, int(changes[0]) % rhythm) if rhythm > 1 else (1, 0)


def stuck_bit(current_a: Samples, step: float) -> str:
    """Words for a converter of which one bit, not the lowest, is the same in all samples; empty when none is.

    Parameters
    ----------
    current_a : ndarray, shape (n,)
        A, as recorded.
    step : float
        The converter's step, A; 0.0 when it does not show.
    """
    if step <= 0.0:
        return ""
    codes = np.rint((current_a - current_a.min()) / step).astype(np.int64)
    if int(codes[np.argmax(codes)]) > 1_000_000:
        return ""
    levels = np.flatnonzero(np.bincount(codes))
    if len(levels) < LEVELS:
        return ""
    for bit in (1, 2, 3):
        period, half = 2 << bit, 1 << bit
        rests = set((levels % period).tolist())
        # half of the codes never come, whatever the code of the lowest level is
        if len(rests) <= half and any(all((r - first) % period < half for r in rests) for first in rests):
            return (
                f"of every {period} steps of {1e3 * step:.3g} mA, {half} never occur: bit {bit} of the converter "
                "is stuck, its currents are wrong by up to that much"
            )
    return ""
