"""When a damped armature is back at rest: from how far the gap has opened while there is still current to see it.

The current that the coil needs for a flux grows with the gap. On the decay, the distance in current to the rise before
the armature moved, at the same flux, is therefore that of the seated armature before it leaves and falls to that of the
eddy currents once it is back. A heavily damped armature goes at a speed that follows the force: the spring's less the
magnet's, which is that of leaving times the square of the flux. One speed fits what is seen, and takes the armature to
its rest also after the current is used up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.coil.coil_trace import CoilTrace
from benchrig.analysis.coil.flux_linkage import Branches
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.smoothing import local_quadratic

__all__ = ["DampedReturn", "SeatedPart", "follow_return", "seated_part"]

LEFT, GONE = 0.97, 0.85  # of the seated distance: the armature leaves between the two
LEAST_FLUX = 0.35  # of the flux at leaving: below that eddy currents and remanence hide the gap
WEAKER = 0.2  # by which the spring is weaker at rest than at the seat (engineering judgement)
SEEN = 0.15  # part of the way that must have been seen
MISFIT = 0.06  # standard deviation of the part from the model, over the part seen
MODEL = 0.06  # standard uncertainty of the time from leaving to rest, relative, over the part seen: by Monte Carlo
LEAST_U = 0.25  # but at least so much: strong eddy currents imitate a gap that closes
BEFORE_S = 3e-3
LONGEST_S = 0.5


@dataclass(frozen=True)
class DampedReturn:
    """Times from the first sample of the decay, s: leaving the seat, back at rest with its standard uncertainty."""

    leaves_s: float
    back_s: float
    u_s: float
    seen: float


SeatedPart = tuple[Samples, int]
"""See `seated_part`."""


def seated_part(trace: CoilTrace, b: Branches, arrival_s: float) -> SeatedPart | None:
    """How far the decay still is from the line of the rise before its motion, over that of the seated armature.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    b : Branches
        Its rise and decay.
    arrival_s : float
        Arrival on the rise, from switch-on.

    Returns
    -------
    (ndarray, int) or None
        Shape (m,): the part at each sample of the decay, NaN where the rise does not reach; and the index of the top of
        the rise's hump. None when the rise does not show the gap.
    """
    dt = trace.dt_s
    k = int(np.searchsorted(trace.rise_s, arrival_s))
    after = np.flatnonzero((trace.rise_s > arrival_s + 1e-3) & (b.rise_flux < 0.95 * b.rise_flux[-1]))
    if k < 6 or len(after) < 5 or len(b.decay) < 12:
        return None
    rest = float(np.median(b.apart[after]))
    smooth = local_quadratic(b.apart, max(2, round(5e-4 / dt)))
    top = int(np.argmax(smooth[:k]))
    slope = (float(smooth[top]) - rest) / max(float(b.rise_flux[top]), 1e-12)
    if not slope > 0.0:
        return None
    apart = np.interp(b.decay_flux, b.rise_flux[: top + 1], b.rise_smooth[: top + 1]) - b.decay_smooth
    usable = (b.decay_flux < b.rise_flux[top]) & (b.decay_flux > 0.0)
    part = np.full(len(b.decay), np.nan)
    part[usable] = (apart[usable] - rest) / (slope * b.decay_flux[usable])
    part[: round(5e-4 / dt)] = np.nan
    return part, top


def follow_return(trace: CoilTrace, b: Branches, seated: SeatedPart | None) -> DampedReturn | None:
    """Fit the speed of a damped armature to what the decay shows of its way, and follow it to its rest.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    b : Branches
        Its rise and decay.
    seated : (ndarray, int) or None
        What `seated_part` found.

    Returns
    -------
    DampedReturn or None
        None when the way is not one of a damped armature, or too little of it is seen.
    """
    if seated is None:
        return None
    part, top = seated
    dt, flux = trace.dt_s, b.decay_flux
    seen = np.flatnonzero(np.isfinite(part))
    high = seen[flux[seen] > 0.4 * b.rise_flux[top]]
    if len(high) < 12:
        return None
    way = 1.0 - part / float(np.quantile(part[high], 0.9))
    gone = seen[way[seen] > 1.0 - GONE]
    if len(gone) == 0:
        return None
    still = seen[(way[seen] < 1.0 - LEFT) & (seen < gone[0])]
    if len(still) == 0:
        return None
    last = int(still[-1])
    end = int(seen[flux[seen] > LEAST_FLUX * flux[last]][-1])
    best: tuple[float, int, float, Samples] | None = None
    for j in range(max(last - round(BEFORE_S / dt), int(seen[0]) + 1), last + 1, max(1, round(3e-4 / dt))):
        rows = slice(j, end + 1)
        if end - j < 8:
            break
        force = 1.0 - WEAKER * np.clip(way[rows], 0.0, 1.0) - (flux[rows] / flux[j]) ** 2
        gained = np.cumsum(np.maximum(force, 0.0)) * dt
        speed = float(gained @ way[rows]) / max(float(gained @ gained), 1e-30)
        before = way[max(int(seen[0]), j - round(BEFORE_S / dt)) : j]
        rss = float(np.sum((way[rows] - speed * gained) ** 2) + np.sum(before[np.isfinite(before)] ** 2))
        if best is None or rss < best[0]:
            best = (rss, j, speed, speed * gained)
    if best is None or not best[2] > 0.0:
        return None
    rss, j, speed, model = best
    covered = min(float(model[-1]), float(way[end]))
    if covered < SEEN or (rss / len(model)) ** 0.5 > MISFIT * min(covered, 1.0):
        return None
    if float(model[-1]) >= 1.0:
        back_s = float(trace.decay_s[j + int(np.argmax(model >= 1.0))])
    else:
        at, place, k = float(trace.decay_s[end]), float(model[-1]), end
        while place < 1.0 and k + 1 < len(flux):
            k += 1
            place += speed * max(1.0 - WEAKER * place - (max(float(flux[k]), 0.0) / float(flux[j])) ** 2, 0.0) * dt
            at += dt
        if place < 1.0:
            # without flux the spring alone drives it: dp/dt = speed (1 - WEAKER p)
            at += float(np.log((1.0 - WEAKER * place) / (1.0 - WEAKER))) / (speed * WEAKER)
        if at > LONGEST_S:
            return None
        back_s = at
    leaves_s = float(trace.decay_s[j])
    u = max(MODEL / min(covered, 1.0), LEAST_U) * (back_s - leaves_s)
    first_s = float(trace.decay_s[0])
    return DampedReturn(leaves_s - first_s, back_s - first_s, float(u), covered)
