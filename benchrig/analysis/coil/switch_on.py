"""The first milliseconds of a record: the zero of its current, and whether the current begins at switch-on."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.coil.baseline import zero_of
from benchrig.analysis.results import Samples

__all__ = ["UNSURE_S", "begins_gently", "current_zero", "starts_elsewhere"]

UNSURE_S = 1.0e-3  # up to which an early current may be that of eddy currents: the times are then only less certain
# Where nothing else shows the zero: so much of the rise is taken back to switch-on, and this part of how far it is
# taken is uncertain, because eddy currents make it steeper at first (engineering judgement).
BACK_S, BACK_U = 1e-3, 0.2
SLOPE_S = 8e-4  # windows in which the slope of the first rise is measured, ...
GENTLE_S = 1e-2  # ... how far, ...
GENTLE = 0.6  # ... and the part of the steepest that the first must have: a coil rises fastest at once
GENTLE_CLEAR, GENTLE_BOTH = 5.0, 2.5  # standard deviations between the two, on the rise alone; on rise and decay
# Of the largest current: what a probe may keep of it after the pulse (engineering judgement); and standard deviations
# between the zeros before and after the pulse within which both are one.
KEEPS, ONE_ZERO = 2e-3, 3.0
BELOW = 0.006  # of the pulse: by which the first sample must lie below the zero at the end of the record to be noticed
NOISY = 1e-3  # of the pulse: so much noise is in a lead-in too, if the converter can show it
LATE_START_S = 3e-4  # by which the current may seem to begin late: eddy currents and noise hide its first part


def current_zero(
    time_s: Samples, current: Samples, lead: slice, late: slice | None, step: float, noise: float, notes: list[str]
) -> tuple[float, float, bool]:
    """Zero of the current, its standard uncertainty, and whether it lies below what the converter shows."""
    ahead = current[lead]
    if len(ahead) >= 3:
        zero, zero_u = zero_of(ahead, step, noise)
        noisy = noise > 0.7 * step if step > 0.0 else len(ahead) >= 5 and noise > NOISY * float(current.max())
        hidden = noisy and float(np.ptp(ahead)) == 0.0 and float(ahead[0]) <= float(current.min())
        if hidden:
            notes.append(
                f"every sample before switch-on reads {ahead[0]:.4g} A, but the pulse is noisy: the zero lies "
                "below what the converter can show; steady current and resistance cannot be told, raise the zero"
            )
        elif late is not None and noise >= 0.5 * step:  # else both are off by the same part of a step
            zero, zero_u = _both(zero, zero_u, *zero_of(current[late], step, noise), KEEPS * float(current.max()))
        return zero, zero_u, hidden
    if late is not None:
        zero, zero_u = zero_of(current[late], step, noise)
        notes.append("no lead-in before switch-on: the zero of the current was taken from the end of the record")
        zero_u = float(np.hypot(zero_u, 0.3 * noise))
        first = int(np.searchsorted(time_s, 0.0))
        begin, sd = _at_switch_on(time_s[first:], current[first:])
        if zero - begin > max(4.0 * sd * noise + step, BELOW * float(current.max() - zero)):
            zero_u = float(np.hypot(zero_u, zero - begin))
            notes.append(
                f"the current begins {1e3 * (zero - begin):.3g} mA below the zero at the end: the probe keeps some "
                "of its current, or its zero moved; record with a lead-in"
            )
        return zero, zero_u, False
    notes.append("no lead-in before switch-on: the zero of the current was taken as read")
    first = int(np.searchsorted(time_s, 0.0))
    begin = float(current[first])
    at_once, _ = _at_switch_on(time_s[first:], current[first:])
    return 0.0, float(np.hypot(max(noise, 0.29 * step, abs(at_once)), BACK_U * abs(begin - at_once))), False


def _both(before: float, before_u: float, after: float, after_u: float, kept: float) -> tuple[float, float]:
    """Zero before the pulse, a few samples often, together with that after it, if they are one; its uncertainty."""
    after_u = float(np.hypot(after_u, kept))
    if abs(after - before) > ONE_ZERO * float(np.hypot(before_u, after_u)):
        return before, before_u
    weight = before_u**2 / max(before_u**2 + after_u**2, 1e-300)
    return before + weight * (after - before), after_u * weight**0.5


def _at_switch_on(time_s: Samples, current: Samples) -> tuple[float, float]:
    """The first samples taken back to switch-on by a parabola, A, and its noise over that of one sample."""
    dt = float(time_s[1] - time_s[0]) if len(time_s) > 1 else 1.0
    count = max(5, round(BACK_S / dt))
    if len(current) < 2 * count:
        return float(current[0]), 1.0
    weights = np.linalg.pinv(np.vander(time_s[:count] / (count * dt), 3, increasing=True))[0]
    return float(weights @ current[:count]), float(weights @ weights) ** 0.5


def starts_elsewhere(
    time_s: Samples,
    current: Samples,
    lead: slice,
    noise: float,
    step: float,
    full_a: float,
    hidden: bool,
    notes: list[str],
) -> float:
    """How long before or after the told switch-on the current begins, about, s; 0.0 where it does at once."""
    dt = float(time_s[1] - time_s[0])
    k = lead.stop
    least = max(5.0 * noise, 2.0 * step, 0.02 * full_a)
    if k < 3:
        begin = float(current[k])
        if begin < max(least, 0.03 * full_a):
            return 0.0
        ahead = min(k + max(3, round(5e-4 / dt)), len(current) - 1)
        slope: float = max(float(current[ahead] - current[k]) / ((ahead - k) * dt), 1e-12)
        early_s = float(begin / slope)
        if early_s < UNSURE_S:
            return early_s
        notes.append(
            f"{begin:.3g} A flow at the first sample already: the record begins about "
            f"{1e3 * early_s:.1f} ms after switch-on, or its zero is off; times from switch-on are not "
            "stated, record with a lead-in"
        )
        return early_s
    early = current[max(0, k - 3) : k]
    if float(early.min()) > least:
        first = int(np.flatnonzero(current[:k] < least)[-1]) + 1 if bool(np.any(current[:k] < least)) else 0
        notes.append(
            f"the current begins at {1e3 * time_s[first]:.1f} ms, before the switch-on that was told: "
            "times from switch-on are not stated, give the right instant"
        )
        return float(max(-time_s[first], UNSURE_S))
    shown = np.flatnonzero(current[k:] > least)
    if len(shown) == 0 or hidden:
        return 0.0
    at = k + int(shown[0])
    # back along the first part of the rise to where it left the zero
    ahead = min(at + max(3, round(4e-4 / dt)), len(current) - 1)
    slope = max(float(current[ahead] - current[at]) / ((ahead - at) * dt), 1e-12)
    onset = float(time_s[at]) - float(current[at]) / slope
    if onset > LATE_START_S + 2.0 * dt:
        notes.append(
            f"the current begins {1e3 * onset:.1f} ms after the switch-on that was told: times from switch-on are not "
            "stated, give the right instant"
        )
        return float(max(onset, UNSURE_S))
    return 0.0


def begins_gently(time_s: Samples, current_a: Samples, decay_a: Samples, noise: float) -> str:
    """Words for a rise whose slope grows at first; empty for that of a coil that is switched on.

    Parameters
    ----------
    time_s, current_a : ndarray, shape (n,)
        The rise: seconds from switch-on; A over its zero.
    decay_a : ndarray, shape (m,)
        The current from the release on, A; a record that is averaged makes its beginning gentle as well.
    noise : float
        Standard deviation of one sample, A.
    """
    dt = float(time_s[1] - time_s[0])
    span = max(4, round(SLOPE_S / dt))
    low = int(np.argmax(current_a > 0.6 * float(current_a.max())))
    clear, at = _gentle(current_a[: min(low, round(GENTLE_S / dt))], span, noise)
    if clear < GENTLE_BOTH:
        return ""
    if clear < GENTLE_CLEAR:
        gone = int(np.argmax(decay_a < 0.4 * float(current_a.max()))) if len(decay_a) else 0
        if _gentle(-decay_a[: min(gone, round(GENTLE_S / dt))], span, noise)[0] < GENTLE_BOTH:
            return ""
    return (
        f"the current rises fastest only {1e3 * (at + 0.5) * span * dt:.1f} ms after switch-on: the supply comes up "
        "slowly, or the record is averaged over milliseconds; times and a small motion do not show"
    )


def _gentle(values: Samples, span: int, noise: float) -> tuple[float, int]:
    """Standard deviations by which the first slope is below the steepest, if clearly below; and which that is."""
    count = len(values) // span
    if count < 2:
        return 0.0, 0
    k = np.arange(span) - 0.5 * (span - 1)
    slopes = values[: count * span].reshape(count, span) @ k / float(k @ k)
    at = int(np.argmax(slopes))
    if slopes[0] > GENTLE * slopes[at]:
        return 0.0, 0
    return float(slopes[at] - slopes[0]) * float(k @ k) ** 0.5 / max(noise, 1e-15), at
