"""When the armature leaves its seat and is back at rest, while the current decays through the freewheel diode."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.coil_trace import CoilTrace
from benchrig.analysis.flux import Branches
from benchrig.analysis.kinks import Instant, best_kink, find_dip, leaving
from benchrig.analysis.motion import DIP_CLEAR, DIP_LEAST, SIDES_S
from benchrig.analysis.smoothing import local_quadratic

__all__ = ["Release", "look_for_release"]

CLEAR = 5.0  # standard deviations by which the slope must change
SEATED = 0.9  # of the gap's share in the current: an armature is not back before it has lost so much of it once
RETURN_MODEL_S = 1.2e-4  # standard uncertainty of a return because the iron lags behind: by Monte Carlo


@dataclass(frozen=True)
class Release:
    """First motion and first arrival back at rest, from release; None when it does not show.

    `above_s`: the armature was certainly not back by then, when that is all that can be said.
    """

    start: Instant | None = None
    back: Instant | None = None
    above_s: float | None = None
    notes: tuple[str, ...] = ()


def look_for_release(
    trace: CoilTrace, b: Branches, full_a: float, arrival_s: float | None, *, dipped: bool = True
) -> Release:
    """First motion and first arrival back at rest, from release.

    While the gap opens the flux drives the current up against its decay; when the armature stops, the slope falls back
    at once.

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
    dipped : bool
        The rise shows its arrival by a dip. Without one the armature is damped, and a bend of the decay is no return:
        then the return without a hump is only bounded.

    Returns
    -------
    Release
    """
    dt = trace.dt_s
    noise = max(trace.noise_a, 0.29 * trace.step_a, 1e-6 * full_a) / full_a
    n = len(b.decay)
    if n < 12:
        return Release(notes=("drop-out needs the decay of the current, which was not recorded",))
    # a hump: the current rises while the gap opens and falls again once the armature rests
    hump = find_dip(-b.decay, noise, dt)
    skip = round(5e-4 / dt)
    back: Instant | None = None
    if hump.clear > DIP_CLEAR and hump.depth > DIP_LEAST and hump.bottom > skip:
        reach = hump.span + round(6e-4 / dt)
        around = (max(skip, hump.bottom - reach), hump.bottom + reach)
        back = best_kink(b.decay, noise, dt, *around, -1.0, SIDES_S[:5], bent=True, cusp=True)
        since = max(skip, hump.top)
    elif arrival_s is not None:
        found = _return_without_hump(trace, b, noise, arrival_s, dipped)
        if isinstance(found, float):
            note = f"not dropped out {1e3 * found:.0f} ms after release, and then the current is used up"
            return Release(above_s=found, notes=(note,))
        back, since = found, round(found.s / dt) if found else 0
    if back is None or back.clear < CLEAR:
        return Release(notes=("drop-out does not show before the current is used up",))
    k = round(back.s / dt)
    # from the fall along the seated line until shortly before the return
    begin = max(2 * skip, k - round(12e-3 / dt))
    rows = slice(begin, max(begin, k - max(1, (k - since) // 4)))
    start = leaving(trace.decay_s[rows], b.decay_flux[rows], b.decay[rows], noise)
    u = (back.u_s**2 + RETURN_MODEL_S**2) ** 0.5
    return Release(start, Instant(back.s + float(trace.decay_s[0]), u, back.clear))


def _return_without_hump(
    trace: CoilTrace, b: Branches, noise: float, arrival_s: float, dipped: bool
) -> Instant | float | None:
    """Return by the gap: how far the decay still is from the line of the rise before its motion.

    The distance in current between rise and decay at the same flux is that of the seated armature before release, grows
    with the flux, and ends at that of the eddy currents once the armature is back. A number is the time, s, at which
    the armature was still nearer to its seat, when it is not back before the current is used up.
    """
    dt = trace.dt_s
    k = int(np.searchsorted(trace.rise_s, arrival_s))
    after = np.flatnonzero((trace.rise_s > arrival_s + 1e-3) & (b.rise_flux < 0.95 * b.rise_flux[-1]))
    if k < 6 or len(after) < 5:
        return None
    rest = float(np.median(b.apart[after]))
    wide = max(2, round(5e-4 / dt))
    smooth = local_quadratic(b.apart, wide)
    top = int(np.argmax(smooth[:k]))
    slope = (float(smooth[top]) - rest) / float(b.rise_flux[top])
    if slope <= 0.0:
        return None
    apart = np.interp(b.decay_flux, b.rise_flux[: top + 1], b.rise_smooth[: top + 1]) - b.decay
    reach = slope * b.decay_flux
    usable = (reach > 4.0 * noise / wide**0.5) & (b.decay_flux < b.rise_flux[top])
    usable[: round(5e-4 / dt)] = False
    rows = np.flatnonzero(usable)
    if len(rows) < 12:
        return None
    seated = local_quadratic(apart, wide)[rows] / reach[rows] - rest / reach[rows]
    still = np.flatnonzero(seated > 0.5)
    last = int(still[-1]) if len(still) else -1
    if last < 0:
        return None
    if not dipped or len(rows) - last < round(1.5e-3 / dt) or float(np.median(seated[-round(1e-3 / dt) :])) > 0.3:
        left = np.flatnonzero(seated < SEATED)
        return float(trace.decay_s[rows[max(int(left[0]) - 1, 0) if len(left) else -1]])
    low, high = int(rows[last]), int(rows[-1])
    return best_kink(-apart, noise, dt, low, min(high, low + round(4e-3 / dt)), -1.0, SIDES_S[1:5], bent=False)
