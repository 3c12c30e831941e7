"""A coil current record made ready: checked, evenly spaced, zero and hum removed, cut at switch-on and release."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrig.analysis.coil.baseline import Hum, clipping, hum_of, is_cut, settled_rest, slowness, step_of
from benchrig.analysis.coil.one_pulse import find_break
from benchrig.analysis.coil.probe import (
    couple_dc,
    despike,
    find_jump,
    held_for,
    stays_off,
    stuck_bit,
    turn_round,
    zero_moved,
)
from benchrig.analysis.coil.switch_off import release_of
from benchrig.analysis.coil.switch_on import begins_gently, current_zero, starts_elsewhere
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.smoothing import noise_of

Flags = npt.NDArray[np.bool_]
Spans = tuple[tuple[float, float], ...]

__all__ = ["CoilTrace", "check_record", "prepare"]

DRIFT = 0.6  # of a zero's drift that may be wrong with the current in the pulse
STILL_WAVY = 0.1  # of the largest current: hum may make so much of a record's end, after the current has gone
STILL_FALLS = 3.0  # standard deviations by which the current may fall within a stretch without any
FINEST = 1e-4  # of the full current: slower wander than this is not looked at
FEWEST_LATE = 20  # samples without current after the pulse
FEWEST = 12  # samples in the pulse below which nothing is said
UNEVEN = 0.95  # fewer samples than places on the even time axis: many are interpolated
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
    volts_sd : float
        Noise of the measured voltage, over its value at the end of the pulse.
    slow, slow_tail : float
        How much more means over 1 ms, and over a twelfth of the tail, scatter than white noise would; 1.0 for that.
    scale_u : float
        Relative standard uncertainty of the current that a correction of the probe leaves.
    hidden_zero : bool
        The zero lies below what the converter can show.
    gaps_s : tuple of (float, float)
        Stretches without samples, from switch-on.
    sparse_s : tuple of (float, float)
        Stretches in which at least one sample is missing, the gaps among them.
    end_s : float
        Release, from switch-on; beyond the record when it is not in it.
    starts_off_s : float
        How long before or after the told switch-on the current begins, about; 0.0 where it does at once.
    broken : bool
        The rise ends before the release, because the driver or the supply does something else from there on.
    gentle : bool
        The current does not rise fastest at once.
    doubtful_end : bool
        The current does not fall when it was told to.
    whole : (ndarray, ndarray, ndarray) or None
        Times, current and voltage of the whole pulse, as those of the rise, where the supply failed during the rise,
        which ends there, and the current was back in its first half.
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
    volts_sd: float = 0.0
    slow: float = 1.0
    slow_tail: float = 1.0
    scale_u: float = 0.0
    hidden_zero: bool = False
    gaps_s: tuple[tuple[float, float], ...] = ()
    sparse_s: tuple[tuple[float, float], ...] = ()
    end_s: float = 0.0
    starts_off_s: float = 0.0
    broken: bool = False
    gentle: bool = False
    doubtful_end: bool = False
    whole: tuple[Samples, Samples, Samples] | None = None

    def noise_over(self, full_a: float) -> float:
        """Standard deviation of one sample over the full current, no less than the converter's steps make it."""
        return max(self.noise_a, 0.29 * self.step_a, 1e-6 * full_a) / full_a * self.slow

    def missing_at(self, at_s: float) -> float:
        """By how much the samples about this time lie further apart than elsewhere, s."""
        near = [b - a - self.dt_s for a, b in self.sparse_s if a < at_s + self.dt_s and b > at_s - self.dt_s]
        return max(near, default=0.0)


def check_record(time_s: Samples, current_a: Samples, voltage_v: Samples | None) -> None:
    """Refuse what is no record: arrays of one length, one-dimensional, finite, time strictly increasing.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds, amperes.
    voltage_v : ndarray, shape (n,), or None
        Volts.

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
    for name, array in (("time_s", time_s), ("current_a", current_a), ("voltage_v", voltage_v)):
        if array is None:
            continue
        if array.ndim != 1:
            raise ValueError(f"{name} has {array.ndim} dimensions, one is expected")
        if len(array) != len(time_s):
            raise ValueError(f"{name} has {len(array)} samples, time_s has {len(time_s)}")
        bad = np.flatnonzero(~np.isfinite(array))
        if len(bad):
            raise ValueError(f"{name} is not finite at sample {bad[0]}: {array[bad[0]]}")
    if len(time_s) == 0:
        raise ValueError("the record is empty")
    back = np.flatnonzero(np.diff(time_s) <= 0.0)
    if len(back):
        k = int(back[0]) + 1
        raise ValueError(f"time_s does not increase at sample {k}: {time_s[k]} s after {time_s[k - 1]} s")


def _even(time_s: Samples, columns: list[Samples], dt: float) -> tuple[Samples, list[Samples], Spans, Spans, list[str]]:
    """Put the columns on an even time axis if they are not on one already, and say where samples are missing.

    The third are the gaps, the fourth all stretches in which a sample is missing.
    """
    gaps = np.diff(time_s)
    if len(gaps) == 0:
        return time_s, columns, (), (), []
    if float(np.max(np.abs(gaps - dt))) <= 0.02 * dt:
        return time_s, columns, (), (), []
    grid = np.arange(time_s[0], time_s[-1] + 0.5 * dt, dt)
    spans, sparse = (
        tuple((float(time_s[k]), float(time_s[k + 1])) for k in np.flatnonzero(gaps > least))
        for least in (max(3.0 * dt, 3e-4), 1.5 * dt)
    )
    words = []
    if spans:
        k = int(gaps.argmax())
        more = f", and in {len(spans) - 1} more places" if len(spans) > 1 else ""
        words.append(
            f"samples are missing for {1e3 * gaps[k]:.3g} ms after {1e3 * time_s[k]:.4g} ms (sample {k}){more}: "
            "what happens there does not show"
        )
    uneven = float(np.mean(np.abs(gaps - dt) > 0.3 * dt))
    if uneven > 0.1:
        words.append(f"{100 * uneven:.0f} % of the samples are not evenly spaced: they were interpolated")
    return grid, [np.interp(grid, time_s, c) for c in columns], spans, sparse, words


def prepare(time_s: Samples, current_a: Samples, voltage_v: Samples | None, off_s: float | None) -> CoilTrace:
    """Cut and clean a checked record (`check_record`).

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        Seconds from switch-on, amperes.
    voltage_v : ndarray, shape (n,), or None
        Volts at the coil supply, or at the coil's own terminals.
    off_s : float or None
        Release, from switch-on; None looks for it.

    Returns
    -------
    CoilTrace
        With `trouble` set when nothing can be said about motion.
    """
    notes: list[str] = []
    each, first = held_for(current_a)
    if each > 1:
        notes.append(f"every value is repeated {each} times: only one of each was used")
        time_s, current_a = time_s[first::each], current_a[first::each]
        voltage_v = voltage_v[first::each] if voltage_v is not None else None
    n = len(time_s)
    dt = float(np.median(np.diff(time_s))) if n > 1 else 1.0
    step = step_of(current_a)
    raw_s, raw_a, raw_dt = time_s, current_a, dt
    columns = [current_a] if voltage_v is None else [current_a, voltage_v]
    time_s, columns, gaps, sparse, words = _even(time_s, columns, dt)
    notes += words
    columns[0], turned = turn_round(time_s, columns[0], np.inf if off_s is None else off_s)
    columns[0], spikes = despike(columns[0])
    notes += [note for note in (turned, spikes) if note]
    block = max(1, int(1.0 / (dt * COARSEST_HZ)))
    if block > 1:
        time_s, columns = _blocks(time_s, columns, block)
        dt *= block
    current = columns[0]
    end_s, later, doubtful = release_of(
        time_s, current, columns[1] if voltage_v is not None else None, off_s, dt, notes
    )
    if later is not None:
        kept = time_s < later - 2e-3
        time_s, columns = time_s[kept], [column[kept] for column in columns]
        current = columns[0]
    eps = 0.01 * dt
    rise = (time_s >= -eps) & (time_s < end_s - eps)
    decay = time_s >= end_s - eps
    pulse = np.flatnonzero(rise)
    if len(pulse) < FEWEST:
        few = f"only {len(pulse)} samples between switch-on and release, at least {FEWEST} needed"
        return _cut(dt, time_s, current, rise, notes, few)
    tail = slice(int(pulse[len(pulse) // 2]), int(pulse[-1]) + 1)
    noise = noise_of(current[tail])
    if len(raw_a) < UNEVEN * len(time_s) * block:
        # between samples that are not evenly spaced the interpolated ones are smoother than those that were taken
        noise = max(noise, noise_of(raw_a[(raw_s > time_s[tail.start]) & (raw_s < time_s[tail.stop - 1])]) / block**0.5)
    white = max(noise, 0.29 * step)
    lead = slice(0, int(pulse[0]))
    unsigned = is_cut(current[lead], step, noise)
    trouble = stuck_bit(raw_a, step)
    if not turned and not trouble:
        trouble = clipping(raw_a[(raw_s >= 0.0) & (raw_s < end_s)], noise, step, round(1e-3 / raw_dt) + 1)
    hum, current = _without_hum(time_s, current, lead, tail, decay, noise, step, unsigned)
    droop_u = 0.0
    if not unsigned and not trouble:
        # after the hum: its mean over a lead-in that is no whole number of periods is no zero
        current, droop_u, droop, trouble = couple_dc(time_s, current, white, end_s)
        if droop and not hum.words:
            hum, current = _without_hum(time_s, current, lead, tail, decay, noise, step, unsigned)
        notes += [droop] if droop else []
    notes += [hum.words] if hum.words else []
    gone = _late(current, decay, 8 * noise + 4 * step, white)
    zero, zero_u, hidden = current_zero(time_s, current, lead, gone, step, noise, notes)
    if hum.words and unsigned:
        zero_u = float(np.hypot(zero_u, 0.2 * np.abs(hum.wave).max()))
    zero_u = float(np.hypot(zero_u, 0.3 * hum.u_a))
    current = current - zero
    if gone is not None and not hidden:
        drift_a, words_of_drift = zero_moved(current[lead], current[gone], white, float(current.max()))
        zero_u = float(np.hypot(zero_u, DRIFT * drift_a))
        notes += [words_of_drift] if words_of_drift else []
    if gone is None and lead.stop >= 8:
        offset_a, words_of_offset = stays_off(current[decay], white, float(current.max()), dt)
        zero_u = float(np.hypot(zero_u, DRIFT * offset_a))
        notes += [words_of_offset] if words_of_offset else []
    jump = find_jump(time_s, current, white, end_s)
    if jump is not None:
        notes.append(jump[1])
        gaps = (*gaps, (jump[0] - 1e-3, jump[0] + 1e-3))
    volts, end_v, end_v_u, volts_sd = _voltage(columns[1][pulse] if voltage_v is not None else None, len(pulse))
    broken = find_break(time_s[pulse], current[pulse] / np.maximum(volts, 0.3), current[decay], white, dt)
    resumes = follows = True
    whole: tuple[Samples, Samples, Samples] | None = None
    if broken is not None:
        notes.append(broken.note)
        resumes = broken.resumes
        follows = resumes and not broken.early
        if broken.early and broken.back_s < 0.5 * float(time_s[pulse[-1]]):
            whole = time_s[pulse], current[pulse], volts
        pulse = pulse[time_s[pulse] < broken.at_s]
        rise = rise & (time_s < broken.at_s)
        if len(pulse) < FEWEST:
            trouble = trouble or broken.note
            return _cut(dt, time_s, current, rise, notes, trouble)
        tail = slice(int(pulse[len(pulse) // 2]), int(pulse[-1]) + 1)
        volts, end_v, end_v_u, volts_sd = _voltage(columns[1][pulse] if voltage_v is not None else None, len(pulse))
    rest = settled_rest(current[tail])
    least = max(white, FINEST * float(np.abs(current[tail]).max()))
    wander = slowness(rest, least, max(2, len(rest) // 12))
    gentle = begins_gently(time_s[rise], current[rise], current[decay] if resumes else np.zeros(0), white)
    notes += [gentle] if gentle else []
    elsewhere = starts_elsewhere(time_s, current, lead, noise, step, float(current[tail].max()), hidden, notes)
    return CoilTrace(
        dt_s=dt,
        rise_s=time_s[rise],
        rise_a=current[rise],
        rise_v=volts,
        decay_s=time_s[decay] - end_s if follows else np.zeros(0),
        decay_a=current[decay] if follows else np.zeros(0),
        noise_a=noise,
        zero_u_a=zero_u * wander,
        step_a=step,
        end_v=end_v,
        end_v_u=end_v_u,
        notes=tuple(notes),
        trouble=trouble,
        volts_sd=volts_sd,
        slow=slowness(rest, least, max(2, round(1e-3 / dt))),
        slow_tail=wander,
        scale_u=droop_u,
        hidden_zero=hidden,
        gaps_s=gaps,
        sparse_s=sparse,
        end_s=end_s,
        starts_off_s=elsewhere,
        broken=not resumes,
        gentle=bool(gentle),
        doubtful_end=doubtful,
        whole=whole,
    )


def _without_hum(
    time_s: Samples, current: Samples, lead: slice, tail: slice, decay: Flags, noise: float, step: float, unsigned: bool
) -> tuple[Hum, Samples]:
    """Hum that the quiet stretches show, and the current without it."""
    quiet = [s for s in ((tail,) if unsigned else (lead, tail)) if s.stop - s.start >= 10]
    within = max(8 * noise + 4 * step, STILL_WAVY * float(np.abs(current).max()))
    late = _late(current, decay, within, np.inf)
    if late is not None and not unsigned:
        quiet.append(late)
    hum = hum_of(time_s, current, quiet, tail, late, noise)
    return hum, current - hum.wave if hum.words else current


def _cut(dt: float, time_s: Samples, current: Samples, rise: Flags, notes: list[str], why: str) -> CoilTrace:
    """Too little of a pulse to look at."""
    nothing = np.zeros(0)
    ones = np.ones(int(np.count_nonzero(rise)))
    return CoilTrace(
        *(dt, time_s[rise], current[rise], ones, nothing, nothing, 0.0, 0.0, 0.0, None, 0.0, tuple(notes), why)
    )


def _voltage(measured: Samples | None, count: int) -> tuple[Samples, float | None, float, float]:
    """Voltage over its value at the end of the pulse; that value, its standard uncertainty, and the relative noise."""
    if measured is None:
        return np.ones(count), None, 0.0, 0.0
    last = measured[-max(3, count // 5) :]
    end_v = float(np.median(last))
    last = last[np.abs(last - end_v) < 0.5 * abs(end_v)]
    if len(last) == 0 or end_v <= 0.0:
        return np.ones(count), end_v, 0.0, 0.0
    end_v = float(last.mean())
    volts = measured / end_v
    # a sample taken while the switch acts belongs to neither side
    for edge in (volts[:3], volts[-3:]):
        edge[edge < 0.5] = 1.0
    return volts, end_v, float(last.std() / len(last) ** 0.5), noise_of(measured) / end_v


def _late(current: Samples, decay: Flags, within: float, noise: float) -> slice | None:
    """Second half of what follows the release, or less of its end, when the current has gone by then.

    Where it still falls in all of them, it is the last that is long enough: the zero drifts.
    """
    low = np.flatnonzero(decay)
    if len(low) <= 40:
        return None
    found = None
    for part in (2, 4, 8):
        late = low[len(low) - len(low) // part :]
        if len(late) >= FEWEST_LATE and float(np.ptp(current[late])) < within:
            found = slice(int(late[0]), int(late[-1]) + 1)
            third = len(late) // 3
            falls = float(current[late[:third]].mean() - current[late[-third:]].mean())
            if falls < STILL_FALLS * noise * (2.0 / third) ** 0.5:
                break
    return found


def _blocks(time_s: Samples, columns: list[Samples], block: int) -> tuple[Samples, list[Samples]]:
    """Means of `block` samples; no block straddles switch-on."""
    first = int(np.searchsorted(time_s, -0.01 * float(time_s[1] - time_s[0]) if len(time_s) > 1 else 0.0)) % block
    count = (len(time_s) - first) // block
    cut = slice(first, first + count * block)
    return time_s[cut].reshape(count, block).mean(axis=1), [c[cut].reshape(count, block).mean(axis=1) for c in columns]
