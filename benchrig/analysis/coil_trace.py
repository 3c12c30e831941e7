"""A coil current record made ready: checked, evenly spaced, zero and hum removed, cut at switch-on and release."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.baseline import hum_of, is_cut, step_of, zero_of
from benchrig.analysis.results import Samples
from benchrig.analysis.smoothing import noise_of

__all__ = ["CoilTrace", "check_record", "prepare"]

FEWEST = 12  # samples in the pulse below which nothing is said
COARSEST_HZ = 20_000.0  # faster records are averaged in blocks: an armature has nothing to say above this


@dataclass(frozen=True)
class CoilTrace:
    """The rise and the decay, each on its own time axis.

    Attributes
    ----------
    dt_s : float
        Sample interval.
    rise_s, rise_a, rise_v : ndarray, shape (n,)
        Time from switch-on, current, and voltage over its value at the end of the pulse (ones when not measured).
    decay_s, decay_a : ndarray, shape (m,)
        Time from release, current; empty when not recorded.
    noise_a : float
        Standard deviation of one sample.
    zero_u_a : float
        Standard uncertainty of the zero that was subtracted.
    step_a : float
        Smallest step between samples: that of the ADC, as far as it can be seen; 0.0 when not.
    end_v, end_v_u : float or None
        Mean measured voltage in the last fifth of the pulse and the standard error of that mean.
    notes : tuple of str
        What the reader should know.
    trouble : str
        Why nothing can be said about motion; empty when something can.
    """

    dt_s: float
    rise_s: Samples
    rise_a: Samples
    rise_v: Samples
    decay_s: Samples
    decay_a: Samples
    noise_a: float
    zero_u_a: float
    step_a: float
    end_v: float | None
    end_v_u: float
    notes: tuple[str, ...]
    trouble: str


def check_record(
    time_s: Samples, current_a: Samples, voltage_v: Samples | None
) -> tuple[Samples, Samples, Samples | None]:
    """Arrays of float, one-dimensional, of one length, finite, time strictly increasing.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds, amperes.
    voltage_v : ndarray, shape (n,), or None
        Volts.

    Returns
    -------
    tuple
        The same as float arrays.

    Raises
    ------
    ValueError
        Says which array, and the index of the first sample at fault.

    Examples
    --------
    >>> check_record(np.array([0.0, 0.0]), np.array([0.0, 1.0]), None)
    Traceback (most recent call last):
    ...
    ValueError: time_s does not increase at sample 1: 0.0 s after 0.0 s
    """
    given = (time_s, current_a) if voltage_v is None else (time_s, current_a, voltage_v)
    arrays = [np.asarray(a, dtype=np.float64) for a in given]
    for name, array in zip(("time_s", "current_a", "voltage_v"), arrays, strict=False):
        if array.ndim != 1:
            raise ValueError(f"{name} has {array.ndim} dimensions, one is expected")
        if len(array) != len(arrays[0]):
            raise ValueError(f"{name} has {len(array)} samples, time_s has {len(arrays[0])}")
        bad = np.flatnonzero(~np.isfinite(array))
        if len(bad):
            raise ValueError(f"{name} is not finite at sample {bad[0]}: {array[bad[0]]}")
    if len(arrays[0]) == 0:
        raise ValueError("the record is empty")
    back = np.flatnonzero(np.diff(arrays[0]) <= 0.0)
    if len(back):
        k = int(back[0]) + 1
        raise ValueError(f"time_s does not increase at sample {k}: {arrays[0][k]} s after {arrays[0][k - 1]} s")
    return arrays[0], arrays[1], arrays[2] if voltage_v is not None else None


def _find_release(time_s: Samples, current_a: Samples, on_s: float, dt: float) -> float | None:
    """When the current leaves its final level for good, or None if it never does."""
    block = int(1.0 / (dt * COARSEST_HZ))
    if block > 1:
        time_s, (current_a,) = _blocks(time_s, [current_a], block, on_s)
        dt *= block
    width = max(3, round(5e-4 / dt))
    smooth = np.convolve(current_a, np.ones(width) / width, "same")
    after = time_s > on_s
    if np.count_nonzero(after) < FEWEST:
        return None
    top = float(np.quantile(smooth[after], 0.9))
    high = np.flatnonzero(after & (smooth > 0.5 * top))
    if len(high) == 0 or top <= 0.0:
        return None
    last = int(high[-1])
    if last >= len(time_s) - width or float(smooth[-1]) > 0.5 * top:
        return None
    # the current falls steeply and at once: back to where it was still full
    level = float(np.median(current_a[max(0, last - 40 * width) : max(1, last - 10 * width)]))
    noise = noise_of(current_a)
    full = np.flatnonzero(smooth[: last + 1] > level - max(0.03 * level, 3.0 * noise / width**0.5))
    coarse = int(full[-1]) if len(full) else last
    # level before, a step and a line after: the joint that fits best
    side = max(6, round(1.5e-3 / dt))
    tries = range(max(1, coarse - side), min(len(time_s) - 4, coarse + side))
    if len(tries) == 0:
        return float(time_s[coarse])
    first, end = max(0, tries.start - 4 * side), min(len(time_s), tries.stop + side)
    costs = []
    for k in tries:
        after = np.polynomial.polynomial.polyfit(time_s[k:end] - time_s[k], current_a[k:end], 2)
        fall = np.polynomial.polynomial.polyval(time_s[k:end] - time_s[k], after)
        costs.append(float(np.sum((current_a[first:k] - level) ** 2) + np.sum((current_a[k:end] - fall) ** 2)))
    k = tries.start + int(np.argmin(costs))
    return float(time_s[k]) - 0.5 * dt


def _even(time_s: Samples, columns: list[Samples], dt: float) -> tuple[Samples, list[Samples], str]:
    """Put the columns on an even time axis if they are not on one already."""
    gaps = np.diff(time_s)
    if len(gaps) == 0:
        return time_s, columns, ""
    if float(np.max(np.abs(gaps - dt))) <= 0.02 * dt:
        return time_s, columns, ""
    grid = np.arange(time_s[0], time_s[-1] + 0.5 * dt, dt)
    note = ""
    if float(gaps.max()) > 3.0 * dt:
        k = int(gaps.argmax())
        note = f"samples are missing for {1e3 * gaps[k]:.3g} ms after {1e3 * time_s[k]:.4g} ms"
    return grid, [np.interp(grid, time_s, c) for c in columns], note


def prepare(
    time_s: Samples, current_a: Samples, voltage_v: Samples | None, on_s: float, off_s: float | None
) -> CoilTrace:
    """Cut and clean a checked record (`check_record`).

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds, amperes.
    voltage_v : ndarray, shape (n,), or None
        Volts at the coil supply.
    on_s : float
        Switch-on on the record's axis.
    off_s : float or None
        Release; None looks for it.

    Returns
    -------
    CoilTrace
        With `trouble` set when nothing can be said about motion.
    """
    notes: list[str] = []
    trouble = ""
    n = len(time_s)
    dt = float(np.median(np.diff(time_s))) if n > 1 else 1.0
    step = step_of(current_a)
    raw_s, raw_a, raw_dt = time_s, current_a, dt
    columns = [current_a] if voltage_v is None else [current_a, voltage_v]
    time_s, columns, gap = _even(time_s, columns, dt)
    if gap:
        notes.append(gap)
    found_off = off_s if off_s is not None else _find_release(time_s, columns[0], on_s, dt)
    if found_off is not None and found_off >= time_s[-1]:
        found_off = None
    end_s = float(time_s[-1]) + dt if found_off is None else found_off
    if off_s is None and found_off is not None:
        notes.append(f"release found at {1e3 * found_off:.1f} ms from the current alone")
    block = max(1, int(1.0 / (dt * COARSEST_HZ)))
    if block > 1:
        time_s, columns = _blocks(time_s, columns, block, on_s)
        dt *= block
    current = columns[0]
    eps = 1e-6 * dt
    rise = (time_s >= on_s - eps) & (time_s < end_s - eps)
    decay = time_s >= end_s - eps
    pulse = np.flatnonzero(rise)
    noise = 0.0
    zero, zero_u, zero_hum_u = 0.0, 0.0, 0.0
    if len(pulse) < FEWEST:
        trouble = f"only {len(pulse)} samples between switch-on and release, at least {FEWEST} needed"
    else:
        tail = slice(int(pulse[len(pulse) // 2]), int(pulse[-1]) + 1)
        noise = noise_of(current[tail])
        lead = slice(0, int(pulse[0]))
        unsigned = is_cut(current[lead], step, noise)
        quiet = [s for s in ((tail,) if unsigned else (lead, tail)) if s.stop - s.start >= 10]
        if len(np.flatnonzero(decay)) > 40 and not unsigned:
            low = np.flatnonzero(decay)
            late = low[len(low) // 2 :]
            if float(np.ptp(current[late])) < 8 * noise + 4 * step:
                quiet.append(slice(int(late[0]), int(late[-1]) + 1))
        wave, hum = hum_of(time_s, current, quiet, noise)
        ahead = current[lead]
        if hum:
            notes.append(hum)
            current = current - wave
            if not unsigned:
                ahead = current[lead]
            elif len(ahead):
                zero_hum_u = 0.2 * float(np.abs(wave).max())
        zero, zero_u = zero_of(ahead, step, noise)
        zero_u = (zero_u**2 + zero_hum_u**2) ** 0.5
        if len(ahead) < 3:
            notes.append("no lead-in before switch-on: the zero of the current was taken as read")
        current = current - zero
        trouble = _clipping(raw_a[(raw_s >= on_s) & (raw_s < end_s)], noise, step, round(1e-3 / raw_dt) + 1)
    volts, end_v, end_v_u = np.ones(len(pulse)), None, 0.0
    if voltage_v is not None and len(pulse) >= FEWEST:
        last = columns[1][pulse[-max(3, len(pulse) // 5) :]]
        end_v, end_v_u = float(last.mean()), float(last.std() / len(last) ** 0.5)
        if end_v > 0.0:
            volts = columns[1][pulse] / end_v
    return CoilTrace(
        dt_s=dt,
        rise_s=time_s[rise] - on_s,
        rise_a=current[rise],
        rise_v=volts,
        decay_s=time_s[decay] - end_s,
        decay_a=current[decay],
        noise_a=noise,
        zero_u_a=zero_u,
        step_a=step,
        end_v=end_v,
        end_v_u=end_v_u,
        notes=tuple(notes),
        trouble=trouble,
    )


def _blocks(time_s: Samples, columns: list[Samples], block: int, on_s: float) -> tuple[Samples, list[Samples]]:
    """Means of `block` samples; no block straddles switch-on."""
    first = int(np.searchsorted(time_s, on_s - 1e-9)) % block
    count = (len(time_s) - first) // block
    cut = slice(first, first + count * block)
    return time_s[cut].reshape(count, block).mean(axis=1), [c[cut].reshape(count, block).mean(axis=1) for c in columns]


def _clipping(rise_a: Samples, noise: float, step: float, back: int) -> str:
    """Say so when the converter ran into its end."""
    highest_a = float(rise_a.max())
    at_top = rise_a >= highest_a - 1e-9 * abs(highest_a)
    share = np.count_nonzero(at_top) / len(rise_a)
    if share < 0.05 or highest_a <= 0.0:
        return ""
    first = int(np.argmax(at_top))
    before = rise_a[max(0, first - back) : first]
    # a steady current on one ADC step is no clipping: then the approach is flat and the noise under a step
    steep = len(before) > 0 and highest_a - float(before.min()) > max(3.0 * step, 5e-3 * highest_a)
    noisy = noise > 1.0 * step > 0.0
    if steep or noisy:
        return (
            f"the current is cut off at {highest_a:.4g} A for {100 * share:.0f} % of the pulse: "
            "the converter is at its end"
        )
    return ""
