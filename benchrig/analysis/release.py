"""When the armature leaves its seat and is back at rest, while the current decays through the freewheel diode."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.coil_trace import CoilTrace
from benchrig.analysis.flux import Branches
from benchrig.analysis.motion import DIP_CLEAR, DIP_LEAST, SIDES_S, Instant, best_kink, find_dip
from benchrig.analysis.smoothing import local_quadratic

__all__ = ["look_for_release"]

CLEAR = 5.0  # standard deviations by which the slope must change


def look_for_release(
    trace: CoilTrace, b: Branches, full_a: float, arrival_s: float | None
) -> tuple[Instant | None, Instant | None, tuple[str, ...]]:
    """First motion and first arrival back at rest, from release.

    While the gap opens the flux drives the current up against its decay; when the armature stops, the slope falls back at once.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    b : Branches
        Its rise and decay.
    full_a : float
        Steady current, A.
    arrival_s : float or None
        Arrival on the rise, from switch-on.

    Returns
    -------
    start, back : Instant or None
        None when it does not show.
    notes : tuple of str
    """
    dt = trace.dt_s
    noise = max(trace.noise_a, 0.29 * trace.step_a, 1e-6 * full_a) / full_a
    n = len(b.decay)
    if n < 12:
        return None, None, ("drop-out needs the decay of the current, which was not recorded",)
    # a hump: the current rises while the gap opens and falls again once the armature rests
    hump = find_dip(-b.decay, noise, dt)
    skip = round(5e-4 / dt)
    back: Instant | None = None
    if hump.clear > DIP_CLEAR and hump.depth > DIP_LEAST and hump.bottom > skip:
        reach = hump.span + round(6e-4 / dt)
        back = best_kink(b.decay, noise, dt, max(skip, hump.bottom - reach), hump.bottom + reach, -1.0, SIDES_S[:5], bent=True)
    elif arrival_s is not None:
        # against the open line of the rise: once the armature rests the two run side by side
        k = int(np.searchsorted(trace.rise_s, arrival_s))
        top = int(np.argmax(b.apart[:k])) if k > 3 else 0
        beyond = b.decay - np.interp(b.decay_flux, b.rise_flux[: top + 1], b.rise_smooth[: top + 1])
        first = int(np.searchsorted(-b.decay_flux, -b.rise_flux[top]))
        back = best_kink(beyond, noise, dt, max(skip, first), n - 1, -1.0, SIDES_S[2:], bent=False)
    if back is None or back.clear < CLEAR:
        return None, None, ("drop-out does not show before the current is used up",)
    k = round(back.s / dt)
    smooth = local_quadratic(b.decay, max(2, round(3e-4 / dt)))
    slope = np.gradient(smooth, dt)
    before = slope[max(0, k - round(8e-3 / dt)) : k + 1]
    lowest = int(np.argmin(before)) if len(before) else 0
    start = float(trace.decay_s[max(0, k - len(before) + 1 + lowest)])
    back = Instant(back.s + float(trace.decay_s[0]), back.u_s, back.clear)
    return Instant(start, max(3e-4, 0.2 * (back.s - start)), 0.0), back, ()
