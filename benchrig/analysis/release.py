"""When the armature leaves its seat and is back at rest, while the current decays through the freewheel diode."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.coil_trace import CoilTrace
from benchrig.analysis.flux import Branches
from benchrig.analysis.motion import Instant, best_kink
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
    # the diode's end is a change of slope upwards, so it cannot be mistaken for the armature's; switch-off itself can
    kink = best_kink(b.decay, noise, dt, round(5e-4 / dt), n - 1, -1.0)
    if kink is None or kink.clear < CLEAR:
        return None, None, ("drop-out does not show before the current is used up",)
    k = round(kink.s / dt)
    smooth = local_quadratic(b.decay, max(2, round(3e-4 / dt)))
    slope = np.gradient(smooth, dt)
    before = slope[max(0, k - round(8e-3 / dt)) : k + 1]
    lowest = int(np.argmin(before)) if len(before) else 0
    start = float(trace.decay_s[max(0, k - len(before) + 1 + lowest)])
    back = Instant(kink.s + float(trace.decay_s[0]), kink.u_s, kink.clear)
    return Instant(start, max(3e-4, 0.2 * (back.s - start)), 0.0), back, ()
