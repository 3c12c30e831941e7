"""Did the armature move while the current rose, when did it start, and when did it first arrive?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.coil_trace import CoilTrace
from benchrig.analysis.flux import Branches
from benchrig.analysis.results import Samples
from benchrig.analysis.smoothing import local_quadratic, scan_kinks

__all__ = ["Dip", "Instant", "Motion", "best_kink", "find_dip", "leaving", "look_for_motion"]

HUMP_MOVED = 0.08  # share of the full current by which rise and decay must differ more in the middle than on both sides
HUMP_STILL = 0.04
BARE_MOVED = 0.10  # the same for a hump over the lower hull of the rise alone, without a decay to compare with
BARE_STILL = 0.03
DIP_CLEAR = 6.0  # standard deviations by which the current must fall, and rise again
DIP_SEEN = 5.0  # enough to place the arrival, once motion is established otherwise
DIP_LEAST = 0.01  # share of the full current
START_MODEL_S = 5e-4  # standard uncertainty of a first motion because its true curve is another
DIP_SPANS_S = (0.4e-3, 0.8e-3, 1.6e-3)  # averages in which a dip is looked for
DIP_SHARE = 0.045  # of the window: standard uncertainty of a kink because the true curves are no parabolas
SHOULDER_SHARE = 0.2
SHOULDER_CLEAR = 10.0  # standard deviations that an arrival without a dip must have
SIDES_S = (0.4e-3, 0.6e-3, 1e-3, 2e-3, 4e-3, 8e-3)  # windows before and after a kink


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
    values: Samples, noise: float, dt: float, low: int, high: int, sign: float, sides_s: tuple[float, ...], *, bent: bool
) -> Instant | None:
    """Clearest change of slope of one sign between two samples.

    Windows of all lengths before and after are tried; the one is used in which the change of slope is largest against its
    standard deviation, taken from the residuals where they are larger than the noise.

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
    sides_s : tuple of float
        Lengths of the windows on each side.
    bent : bool
        A parabola after the kink too.

    Returns
    -------
    Instant or None
        Time from the first sample; None when no window fits.
    """
    lengths = sorted({max(4, round(s / dt)) for s in sides_s})
    pairs = [(left, right) for left in lengths for right in lengths if right <= 2 * left and left <= 4 * right]
    found = [f for pair in pairs if (f := _kink_at(values, noise, dt, low, high, sign, *pair, bent)) is not None]
    if not found:
        return None
    best = max(found, key=lambda f: f.strength)
    if not best.fits:
        # the bend is too sharp for these windows: the longest that do fit, nearby
        reach = round(6e-4 / dt) + 1
        low, high = max(low, best.at - reach), min(high, best.at + reach)
        closer = [f for pair in pairs if (f := _kink_at(values, noise, dt, low, high, sign, *pair, bent)) is not None]
        good = [f for f in closer if f.fits and f.instant.clear > 4.0]
        if good:
            best = max(good, key=lambda f: f.strength)
        elif closer:
            best = min(closer, key=lambda f: f.misfit)
    return best.instant


@dataclass(frozen=True)
class _Kink:
    fits: bool
    misfit: float
    strength: float
    at: int
    instant: Instant


def _kink_at(
    values: Samples, noise: float, dt: float, low: int, high: int, sign: float, left: int, right: int, bent: bool
) -> _Kink | None:
    a, b = max(low - left, 0), min(high + right + 1, len(values))
    scan = scan_kinks(values[a:b], left, right, bent=bent)
    if scan is None or len(scan.rss) < 3:
        return None
    misfit = np.maximum(scan.rss / (noise**2 * scan.freedom), 1.0)
    clear = sign * scan.jump / (scan.jump_sd * noise)
    # a bad fit beside a clear kink is worth more than a good fit of nothing
    k = int(np.argmax(clear / np.sqrt(misfit)))
    near = np.arange(max(0, k - left // 2), min(len(clear), k + left // 2 + 1))
    cost = np.where(clear[near] > 3.0, scan.rss[near], np.inf)
    if np.isfinite(cost.min()):
        k = int(near[np.argmin(cost)])
    m = min(max(k, 1), len(scan.rss) - 2)
    y0, y1, y2 = (float(v) for v in scan.rss[m - 1 : m + 2])
    bend = y0 - 2 * y1 + y2
    if bend <= 0.0:
        return None
    shift = float(np.clip(0.5 * (y0 - y2) / bend, -1.0, 1.0)) if m == k else 0.0
    u = (2 * noise**2 * float(misfit[k]) / bend) ** 0.5
    strength = float(clear[k]) / float(misfit[k]) ** 0.5
    fits = bool(misfit[k] < 1.0 + 2.5 * (2.0 / scan.freedom) ** 0.5) and m == k
    at = a + scan.first + k
    return _Kink(fits, float(misfit[k]), strength, at, Instant((at + shift) * dt, _with_model(u, left, right, bent) * dt, strength))


def _with_model(u: float, left: int, right: int, bent: bool) -> float:
    """Add to the noise, in samples, what the true shape differs from parabolas: found by Monte Carlo, see the benchmark."""
    return (u**2 + 0.25**2 + ((DIP_SHARE if bent else SHOULDER_SHARE) * (left + right) / 2) ** 2) ** 0.5


@dataclass(frozen=True)
class Dip:
    """Deepest fall of the current that is made good again: `depth` and `u` over the full current, samples of top and bottom."""

    depth: float
    u: float
    clear: float
    top: int
    bottom: int
    span: int


def find_dip(values: Samples, noise: float, dt: float) -> Dip:
    """Deepest dip, in standard deviations, of running means of three lengths."""
    best = Dip(0.0, noise, 0.0, 0, 0, 1)
    for span_s in DIP_SPANS_S:
        span = max(1, round(span_s / dt))
        if len(values) < 3 * span:
            continue
        sums = np.concatenate([[0.0], np.cumsum(values)])
        mean = (sums[span:] - sums[:-span]) / span
        before = np.maximum.accumulate(mean)
        after = np.maximum.accumulate(mean[::-1])[::-1]
        depth = np.minimum(before, after) - mean
        k = int(np.argmax(depth))
        u = noise * (2.0 / span) ** 0.5
        if float(depth[k]) / u > best.clear:
            top = int(np.argmax(mean[: k + 1]))
            best = Dip(float(before[k] - mean[k]), u, float(depth[k]) / u, top + span // 2, k + span // 2, span)
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
        series = local_quadratic(b.apart, max(2, round(7e-4 / dt)))[where]
    else:
        series = _over_hull(b.rise_flux[where], local_quadratic(b.rise_smooth[where], wide))
    height, peak = _hump(series)
    settled = np.flatnonzero(b.rise_smooth > 0.99)
    shows = slice(0, max(int(settled[0]) if len(settled) else len(b.rise), int(where[-1])) + 1)
    dip = find_dip(b.rise[shows], noise, dt)
    dipped = dip.clear > DIP_CLEAR and dip.depth > DIP_LEAST
    by_dip = min(dip.clear / DIP_CLEAR, dip.depth / DIP_LEAST)
    if not dipped:
        by_dip = 0.0
    if compared:
        evidence, still = max(height / HUMP_MOVED, by_dip), HUMP_STILL
    else:
        notes.append("no decay to compare with: motion judged from the rise alone")
        evidence, still = max(height / BARE_MOVED, by_dip), BARE_STILL
    moved = True if evidence > 1.0 else False if height < still and dip.clear < DIP_SEEN else None
    if moved is None:
        notes.append("the rise bends in a way that iron alone could also cause: cannot tell whether the armature moved")
    if not moved:
        return Motion(moved, evidence, None, None, 0.0, dip.u, tuple(notes))
    peak_at = int(where[peak])
    base = min(float(series[: peak + 1].min()), float(series[peak:].min()))
    high = np.flatnonzero(series[peak:] > base + 0.2 * height)
    end = int(where[peak + high[-1]])
    near = b.rise[: end + round(1e-3 / dt)] if compared else b.rise[shows]
    small = dip if dipped else find_dip(near, noise, dt)
    if dipped or (small.clear > DIP_SEEN and small.bottom > peak_at // 2):
        reach = small.span + round(6e-4 / dt)
        arrival = best_kink(b.rise, noise, dt, small.bottom - reach, small.bottom + reach, 1.0, SIDES_S[:5], bent=True)
    else:
        arrival = _shoulder(trace, b, noise, peak_at, end, compared)
    if arrival is not None:
        arrival = Instant(arrival.s + float(trace.rise_s[0]), arrival.u_s, arrival.clear)
    if arrival is None or arrival.clear < 3.0:
        arrival = None
        notes.append("the armature moved, but its arrival does not show")
    top_s = float(trace.rise_s[dip.top]) if dipped else None
    start = _start(trace, b, noise, arrival.s if arrival else float(trace.rise_s[end]), top_s)
    return Motion(True, evidence, start, arrival, dip.depth if dipped else 0.0, dip.u, tuple(notes))


def _shoulder(trace: CoilTrace, b: Branches, noise: float, peak: int, end: int, compared: bool) -> Instant | None:
    """Arrival without a dip: a bend upwards in the current, or the end of the fall of the hump, whichever is clearer."""
    dt = trace.dt_s
    fall_s = max((end - peak) * dt, 1e-3)
    third = round(0.3 * fall_s / dt)
    found = [best_kink(b.rise, noise, dt, peak, end + 2 * third, 1.0, SIDES_S, bent=True)]
    if compared:
        raw = b.rise - b.rise_smooth + b.apart
        sides = tuple(share * fall_s for share in (0.25, 0.5, 1.0))
        found.append(best_kink(raw, noise, dt, peak + third, end + third, 1.0, sides, bent=False))
    clear = [f for f in found if f is not None and f.clear > SHOULDER_CLEAR]
    if not clear:
        return None
    most = max(f.clear for f in clear)
    return max((f for f in clear if f.clear > 0.6 * most), key=lambda f: f.s)


def _start(trace: CoilTrace, b: Branches, noise: float, arrival_s: float, top_s: float | None) -> Instant | None:
    """First motion on the rise: see `leaving`."""
    until = arrival_s - 0.25 * min(arrival_s, 4e-3) if top_s is None else max(top_s, 0.6 * arrival_s)
    rows = np.flatnonzero((trace.rise_s > min(5e-4, 0.15 * arrival_s)) & (trace.rise_s <= until))
    return leaving(trace.rise_s[rows], b.rise_flux[rows], b.rise[rows], noise)


def leaving(t_s: Samples, flux: Samples, current: Samples, noise: float) -> Instant | None:
    """When the current leaves the line of the resting armature.

    Until then current against flux is a gentle curve, taken as a parabola; afterwards it departs with the square and the
    third power of the time since. All instants are weighed by their likelihood.

    Parameters
    ----------
    t_s, flux, current : ndarray, shape (n,)
        Samples from well before the first motion until well after it.
    noise : float
        Standard deviation of one sample of the current.

    Returns
    -------
    Instant or None
        None with fewer than 10 samples. `clear` is not used.
    """
    if len(t_s) < 10:
        return None
    f = (flux - flux[0]) / (flux[-1] - flux[0])
    tries = t_s[2:-3]
    if len(tries) > 60:
        tries = tries[:: len(tries) // 60 + 1]
    late = np.maximum(t_s[None, :] - tries[:, None], 0.0) / (t_s[-1] - tries[:, None])
    still = np.linalg.qr(np.stack([np.ones_like(f), f, f * f], axis=1))[0]
    # take the resting line out of the current and of the two departures; what is left is a fit with two unknowns
    y = current - still @ (still.T @ current)
    p, q = late**2, late**3
    p, q = p - (p @ still) @ still.T, q - (q @ still) @ still.T
    pp, pq, qq = (np.einsum("ij,ij->i", u, v) for u, v in ((p, p), (p, q), (q, q)))
    py, qy = p @ y, q @ y
    det = np.maximum(pp * qq - pq * pq, 1e-12 * pp * qq + 1e-300)
    rss = y @ y - (qq * py**2 - 2 * pq * py * qy + pp * qy**2) / det
    k = int(np.argmin(rss))
    sd2 = max(noise**2, float(rss[k]) / max(len(t_s) - 6, 1))
    weight = np.exp(-0.5 * (rss - rss[k]) / sd2)
    weight /= weight.sum()
    mean = float(weight @ tries)
    u = float(weight @ (tries - mean) ** 2) ** 0.5
    step = float(tries[1] - tries[0])
    return Instant(mean, (u**2 + step**2 + START_MODEL_S**2) ** 0.5, 0.0)
