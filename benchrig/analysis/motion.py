"""Did the armature move while the current rose, when did it start, and when did it first arrive?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.coil_trace import CoilTrace
from benchrig.analysis.flux import Branches
from benchrig.analysis.results import Samples
from benchrig.analysis.smoothing import local_quadratic, scan_kinks

__all__ = ["Instant", "Motion", "best_kink", "look_for_motion"]

HUMP_MOVED = 0.08  # share of the full current by which rise and decay must differ more in the middle than on both sides
BARE_MOVED = 0.10  # the same for a hump over the lower hull of the rise alone, without a decay to compare with
BARE_STILL = 0.03
DIP_MOVED = 0.03  # fall of the current, share of the full current
SCALES_S = (0.8e-3, 2e-3, 5e-3)  # windows before and after a kink


@dataclass(frozen=True)
class Instant:
    """A time and its standard uncertainty, seconds; `clear` is the change of slope over its standard deviation."""

    s: float
    u_s: float
    clear: float


@dataclass(frozen=True)
class Motion:
    """What the rise shows. Times in seconds from switch-on; `dip` and `dip_u` over the full current."""

    moved: bool | None
    evidence: float
    start: Instant | None
    arrival: Instant | None
    dip: float
    dip_u: float
    notes: tuple[str, ...]


def best_kink(
    values: Samples, noise: float, dt: float, low: int, high: int, sign: float, scales_s: tuple[float, ...] = SCALES_S
) -> Instant | None:
    """Clearest change of slope of one sign between two samples.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced.
    noise : float
        Standard deviation of one sample.
    dt : float
        Sample interval, s.
    low, high : int
        First and last sample that may be the kink.
    sign : float
        1.0 for a slope that rises, -1.0 for one that falls.
    scales_s : tuple of float
        Lengths of the parabolas on each side; the one that shows the kink most clearly is used.

    Returns
    -------
    Instant or None
        Time from the first sample; None when no window fits.
    """
    best: Instant | None = None
    for scale in scales_s:
        side = max(4, round(scale / dt))
        scan = scan_kinks(values, side, side)
        if scan is None:
            continue
        a, b = max(low - scan.first, 0), min(high - scan.first, len(scan.rss) - 1)
        if b < a:
            continue
        misfit = np.maximum(scan.rss[a : b + 1] / (noise**2 * scan.freedom), 1.0)
        clear = sign * scan.jump[a : b + 1] / (scan.jump_sd * noise * misfit)
        k = int(np.argmax(clear))
        # the joint that fits best near the clearest change of slope
        near = range(max(a, a + k - side // 2), min(b, a + k + side // 2) + 1)
        k = min(near, key=lambda j: scan.rss[j])
        z = float(clear[k - a])
        if best is not None and z <= best.clear:
            continue
        j = min(max(k, 1), len(scan.rss) - 2)
        if len(scan.rss) < 3:
            continue
        y0, y1, y2 = (float(v) for v in scan.rss[j - 1 : j + 2])
        bend = y0 - 2 * y1 + y2
        shift = float(np.clip(0.5 * (y0 - y2) / bend, -1.0, 1.0)) if bend > 0 and j == k else 0.0
        var = float(misfit[k - a]) * noise**2
        u = (2 * var / bend) ** 0.5 if bend > 0 else float(side)
        best = Instant((scan.first + k + shift) * dt, (u**2 + 0.1**2) ** 0.5 * dt, z)
    return best


def _hump(difference: Samples) -> tuple[float, int]:
    """Largest value by which a point exceeds the lowest points on both its sides, and where."""
    before = np.minimum.accumulate(difference)
    after = np.minimum.accumulate(difference[::-1])[::-1]
    height = np.minimum(difference - before, difference - after)
    k = int(np.argmax(height))
    return float(height[k]), k


def _over_hull(flux: Samples, current: Samples) -> Samples:
    """Height of the current above its lower convex hull over flux."""
    kept: list[int] = []
    for k in range(len(flux)):
        while len(kept) > 1:
            a, b = kept[-2], kept[-1]
            if (current[b] - current[a]) * (flux[k] - flux[a]) < (current[k] - current[a]) * (flux[b] - flux[a]):
                break
            kept.pop()
        kept.append(k)
    return np.asarray(current - np.interp(flux, flux[kept], current[kept]), dtype=np.float64)


def look_for_motion(trace: CoilTrace, b: Branches, full_a: float) -> Motion:
    """Judge the rise.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    b : Branches
        Its rise and decay against flux.
    full_a : float
        Steady current, A.

    Returns
    -------
    Motion
        See `InrushResult` for the meaning of the fields.
    """
    dt = trace.dt_s
    noise = max(trace.noise_a, 0.29 * trace.step_a) / full_a
    noise = max(noise, 1e-6)
    notes: list[str] = []
    top = float(b.rise_flux[-1])
    wide = max(2, round(4e-4 / dt))
    compared = bool(np.count_nonzero(np.isfinite(b.apart)) > 8)
    shown = (trace.rise_s > 6e-4) & (b.rise_flux > 0.03 * top) & (b.rise_flux < 0.97 * top)
    if compared:
        shown &= np.isfinite(b.apart)
    where = np.flatnonzero(shown)
    if len(where) < 8:
        return Motion(None, 0.0, None, None, 0.0, 0.0, ("too few samples in the rise to say whether the armature moved",))
    if compared:
        series = local_quadratic(b.apart[where], wide)
    else:
        series = _over_hull(b.rise_flux[where], local_quadratic(b.rise_smooth[where], wide))
    height, peak = _hump(series)
    base = min(float(series[: peak + 1].min()), float(series[peak:].min()))
    fallen = np.flatnonzero(series[peak:] < base + 0.15 * height)
    end = int(where[peak + fallen[0]]) if len(fallen) else int(where[-1])
    peak_at = int(where[peak])
    raw = b.rise - b.rise_smooth + b.apart if compared else b.rise
    good = np.flatnonzero(np.isfinite(raw))
    first = int(good[0])
    scales = tuple(s for s in SCALES_S if s < 3.0 * max(float(trace.rise_s[end] - trace.rise_s[peak_at]), 5e-4))
    kink = best_kink(
        raw[first : int(good[-1]) + 1], noise, dt, peak_at - first, end - first + round(1e-3 / dt), 1.0, scales or SCALES_S[:1]
    )
    arrival = None
    if kink is not None:
        arrival = Instant(kink.s + float(trace.rise_s[first]), kink.u_s, kink.clear)
    dip, dip_u, at = _dip(trace, b, noise, arrival)
    if compared:
        evidence = height / HUMP_MOVED
        moved: bool | None = evidence > 1.0
    else:
        notes.append("no decay to compare with: motion judged from the rise alone")
        evidence = max(height / BARE_MOVED, dip / DIP_MOVED if dip > 5 * dip_u and height > BARE_STILL else 0.0)
        moved = True if evidence > 1.0 else False if height < BARE_STILL else None
        if moved is None:
            notes.append("the rise bends in a way that iron alone could also cause: cannot tell")
    if not moved:
        return Motion(moved, evidence, None, None, 0.0, dip_u, tuple(notes))
    if arrival is None or arrival.clear < 3.0:
        arrival = None
        notes.append("the armature moved, but its arrival does not show")
    start = _start(trace, b, noise, arrival.s if arrival else float(trace.rise_s[end]), at)
    return Motion(True, evidence, start, arrival, dip, dip_u, tuple(notes))


def _dip(trace: CoilTrace, b: Branches, noise: float, arrival: Instant | None) -> tuple[float, float, float | None]:
    """Depth of the dip before the arrival, its standard uncertainty, and the time of the maximum before it."""
    wide = max(2, round(3e-4 / trace.dt_s))
    u = noise * (2 * 2.25 / (2 * wide + 1)) ** 0.5
    if arrival is None:
        return 0.0, u, None
    k = int(np.searchsorted(trace.rise_s, arrival.s))
    if k < 3 or k >= len(b.rise):
        return 0.0, u, None
    smooth = local_quadratic(b.rise[: k + 1], wide)
    m = int(np.argmax(smooth))
    right = b.rise[k : k + 2 * wide + 1]
    if len(right) < 3:
        return 0.0, u, None
    bottom = float(np.polyfit(np.arange(len(right)), right, 1)[1])
    depth = float(smooth[m]) - min(bottom, float(smooth[-1 - min(wide, k) :].min()))
    return (depth, u, float(trace.rise_s[m])) if depth > 4.0 * u else (0.0, u, None)


def _start(trace: CoilTrace, b: Branches, noise: float, arrival_s: float, top_s: float | None) -> Instant | None:
    """When the current leaves the line of the resting armature.

    Until then current against flux is a gentle curve; afterwards it falls behind with the square or a higher power of the time since.
    """
    dt = trace.dt_s
    until = arrival_s - 0.25 * min(arrival_s, 4e-3) if top_s is None else max(top_s, 0.6 * arrival_s)
    rows = np.flatnonzero((trace.rise_s > min(5e-4, 0.15 * arrival_s)) & (trace.rise_s <= until))
    if len(rows) < 10:
        return None
    t, f, y = trace.rise_s[rows], b.rise_flux[rows], b.rise[rows]
    f = f / f[-1]
    tries = t[3:-4]
    rss = np.empty(len(tries))
    for k, t0 in enumerate(tries):
        late = np.maximum(t - t0, 0.0) / (t[-1] - t0)
        design = np.stack([np.ones_like(f), f, f * f, late**2, late**3], axis=1)
        rss[k] = _rest(design, y)
    k = int(np.argmin(rss))
    sd2 = max(noise**2, float(rss[k]) / max(len(t) - 6, 1))
    weight = np.exp(-0.5 * (rss - rss[k]) / sd2)
    weight /= weight.sum()
    mean = float(weight @ tries)
    u = float(weight @ (tries - mean) ** 2) ** 0.5
    return Instant(mean, (u**2 + dt**2 + 1e-4**2) ** 0.5, 0.0)


def _rest(design: Samples, y: Samples) -> float:
    q = np.linalg.qr(design)[0]
    return float(y @ y - np.sum((q.T @ y) ** 2))
