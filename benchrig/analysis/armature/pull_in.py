"""Whether the armature moved while the current rose, when it started, and when it first arrived."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.armature.first_motion import first_motion
from benchrig.analysis.armature.late_arrival import seated_at, still_slow
from benchrig.analysis.coil.coil_trace import CoilTrace
from benchrig.analysis.coil.flux_linkage import Branches
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.kinks import Dip, Instant, begins_sharply, best_kink, bottom_of, find_dip
from benchrig.analysis.statistics.smoothing import local_quadratic

__all__ = ["Motion", "look_for_motion"]

# Levels for the hump of the rise over the decay, as a share of the full current: what iron alone makes, plus so many
# standard deviations of the smoothed difference; to call it motion, COARSE times the sample interval besides. Set on
# Monte Carlo populations (seeds 11, 21 and 41 of tests/benchmarks/inrush_monte_carlo.py), checked on others (31, 51).
HUMP_MOVED = (0.062, 7.4)
HUMP_STILL = (0.020, 2.75)
BARE_MOVED = (0.07, 5.5)  # the same for a hump over the lower hull of the rise alone, without a decay to compare with
BARE_STILL = (0.006, 2.0)
COARSE = 40.0  # per second; few samples make a hump of their own
WANDER = 0.15  # by which the level rises for each time that slow noise exceeds white noise
DIP_CLEAR = 6.0  # standard deviations by which the current must fall, and rise again
DIP_SEEN = 5.0  # enough to place the arrival, once motion is established otherwise
DIP_LEAST = 0.01  # share of the full current
CREEP_SEEN = 3.3  # standard deviations by which the current still rises when a coil alone has long settled
CREEP_AFTER = 6.0  # when that is: so many times as long after 0.9 of the full current as from 0.8 to 0.9
CREEP_MODEL = 2e-4  # standard uncertainty of that because no coil is exactly exponential, share of the full current
CREEP_SPANS_S = (2e-3, 4e-3, 8e-3, 16e-3, 32e-3)
DIP_MODEL, DIP_BARE = 0.006, 0.15  # standard uncertainty of a depth that no fit shows: of the full current, and of it
DIP_HIDES, DIP_HIDES_IN = 0.013, 0.03  # fits at a soft cusp miss a shallow dip, the more the shallower
DIP_NOISE = 0.01  # and of one without any bend: the more, by this noise as much again
# Of 1,920 dips in records by other physics: what the fits flatten of a depth, by the fall from sample to sample and by
# the noise; then the parts of its uncertainty, as factors on that of the fit's bottom, on the noise of the means and on
# that of one sample (top and bottom are extremes of it), on what a shallow dip hides, on the fall within the arrival's
# uncertainty, on how far a deeper bottom or what is seen lies from the fit's, on the depth, on the fall from sample to
# sample, and on that within missing samples.
DIP_FLAT, DIP_FLAT_NOISE = 0.25, 0.085
DIP_FIT, DIP_EXTREMES, DIP_NOISY, DIP_HIDDEN, DIP_RATE, DIP_OTHER, DIP_PART = 2.05, 0.85, 0.66, 0.45, 0.4, 0.2, 0.008
DIP_COARSE, DIP_MISSING = 0.14, 0.5
MISSING = 0.3  # of where samples are missing about an arrival: its standard uncertainty
# Least flux over that at the end of the pulse for a dip's beginning and for an arrival: of 560 arrivals in records by
# other physics the earliest was at 0.23.
EARLY_FLUX, ARRIVAL_FLUX = 0.1, 0.17
SHOULDER_CLEAR = 10.0  # standard deviations that an arrival without a dip must have
# and the part of the sharpest bend that it must have, of those with so many standard deviations: of 79 in records by
# other physics the arrival was the sharpest each time, within a third, and 27 ends of slopes had less than this
SHOULDER_SEEN, SHOULDER_SHARP = 4.0, 0.45
# Clearness below which an arrival is less certain than its fit says, and by how much less the uncertainty is one more
# of the fit's: at a dip, and without one. Of 660 arrivals in records by other physics, 280 of damped armatures.
FAINT_DIP, FAINT_SHOULDER = (6.5, 2.0), (16.0, 6.0)
KINK_CLEAR = 6.0  # standard deviations by which the slope must rise at an arrival, where the hump leaves doubt ...
# ... and by how much, in full currents per time to 63 %: no blocked coil of 2,400 had both, with a hump
KINK_JUMP = 0.2
BOUNCE_SIDES_S, BOUNCE_CLEAR, MOST_BOUNCES = (0.3e-3, 0.5e-3, 0.8e-3), 8.0, 6
BOUNCE_REACH_S = 5e-4
COIL_FALL = 2.0  # times the rise, by current: a fall that is steeper is no switch's (engineering judgement)
SIDES_S = (0.4e-3, 0.6e-3, 1e-3, 2e-3, 4e-3, 8e-3)  # windows before and after a kink


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


def _creep(rise: Samples, smooth: Samples, noise: float, dt: float) -> float:
    """How far the current is below its end when a coil alone has settled, in standard deviations.

    Iron that saturates makes the coil faster towards the end of its rise, not slower. A heavily damped armature in
    saturated iron adds little current, too late for the hump to show it, but goes on taking up flux until it arrives.
    What the exponential from 0.8 to 0.9 of the full current would still lack is allowed for.
    """
    at_80, at_90 = int(np.argmax(smooth > 0.8)), int(np.argmax(smooth > 0.9))
    apart = max(at_90 - at_80, 3e-4 / dt)
    tau = apart / np.log(2.0)
    first = at_90 + round(CREEP_AFTER * apart)
    end = round(0.7 * len(rise))
    sums = np.concatenate([[0.0], np.cumsum(rise)])
    final = float(rise[end:].mean())
    most = 0.0
    for span_s in CREEP_SPANS_S:
        last = min(first + round(span_s / dt), end)
        count = last - first
        if count >= max(4, 1e-3 / dt):
            u = (noise**2 * (1.0 / count + 1.0 / (len(rise) - end)) + CREEP_MODEL**2) ** 0.5
            expected = 0.1 * float(np.exp(-(first - at_90) / tau) * -np.expm1(-count / tau)) * tau / count
            most = max(most, (final - float(sums[last] - sums[first]) / count - expected) / u)
    return most


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
    noise = trace.noise_over(full_a)
    notes: list[str] = []
    top = float(b.rise_flux[-1])
    compared = bool(np.count_nonzero(np.isfinite(b.apart)) > 8)
    shown = (trace.rise_s > 6e-4) & (b.rise_flux > 0.03 * top) & (b.rise_flux < 0.97 * top)
    if compared:
        shown &= np.isfinite(b.apart)
    where = np.flatnonzero(shown)
    if len(where) < 8:
        few = "too few samples in the rise to say whether the armature moved"
        return Motion(None, 0.0, None, None, np.nan, np.nan, (few,))
    if compared:
        half = max(2, round(7e-4 / dt))
        series = local_quadratic(b.apart, half)[where]
    else:
        half = max(2, round(6e-4 / dt))
        series = _over_hull(b.rise_flux[where], local_quadratic(b.rise, half)[where])
    sd = noise * (2.0 * 2.25 / (2 * half + 1)) ** 0.5
    height, peak = _hump(series)
    settled = np.flatnonzero(b.rise_smooth > 0.99)
    shows = slice(0, max(int(settled[0]) if len(settled) else len(b.rise), int(where[-1])) + 1)
    # a current that falls while there is hardly any flux rings; no armature does that
    early = int(np.argmax(b.rise_flux > EARLY_FLUX * top))
    pulled = np.concatenate([np.full(early, b.rise_smooth[early]), b.rise[early:]])
    dip = find_dip(pulled[shows], noise, dt)
    bounced_s = 0.0
    for _ in range(MOST_BOUNCES):
        if not (
            dip.clear > DIP_CLEAR
            and dip.depth > DIP_LEAST
            and _falls_as_a_coil(b, dip)
            and begins_sharply(b.rise, noise, dip, dt, BOUNCE_REACH_S, BOUNCE_SIDES_S, BOUNCE_CLEAR)
        ):
            break
        bounced_s = float(trace.rise_s[dip.bottom])
        pulled = np.concatenate([np.full(dip.bottom, b.rise_smooth[dip.bottom]), b.rise[dip.bottom :]])
        dip = find_dip(pulled[shows], noise, dt)
    dipped = dip.clear > DIP_CLEAR and dip.depth > DIP_LEAST
    by_dip = min(dip.clear / DIP_CLEAR, dip.depth / DIP_LEAST)
    if not dipped:
        by_dip = 0.0
    if compared:
        level, still = (base + k * sd for base, k in (HUMP_MOVED, HUMP_STILL))
        level += COARSE * dt
    else:
        notes.append("no decay to compare with: motion judged from the rise alone")
        level, still = (base + k * sd for base, k in (BARE_MOVED, BARE_STILL))
    # noise that wanders also bends the flux, which is an integral
    level *= 1.0 + WANDER * (trace.slow - 1.0)
    evidence = max(height / level, by_dip)
    hint = dip.clear > DIP_SEEN and dip.depth > 0.5 * DIP_LEAST
    moved = True if evidence > 1.0 else False if height < still and not hint else None
    kink: Instant | None = None
    if moved is None:
        kink = _sharp_bend(trace, b, noise)
        if kink is not None:
            moved = True
            evidence = max(evidence, min(kink.clear / KINK_CLEAR, kink.jump * _quick_s(trace, b) / KINK_JUMP))
    if moved is None:
        notes.append("the rise bends in a way that iron alone could also cause: cannot tell whether the armature moved")
    elif not moved and _creep(b.rise, b.rise_smooth, noise, dt) > CREEP_SEEN:
        moved = None
        notes.append("the current settles late, as with slow iron or a slow armature: cannot tell whether it moved")
    if not moved:
        depth, depth_u = (0.0, dip.u) if moved is not None else _none_seen(b, noise, dt)
        return Motion(moved, evidence, None, None, depth, depth_u, tuple(notes))
    peak_at = int(where[peak])
    base = min(float(series[: peak + 1].min()), float(series[peak:].min()))
    high = np.flatnonzero(series[peak:] > base + 0.2 * height)
    end = int(where[peak + high[-1]]) if len(high) else peak_at
    near = pulled[: end + round(1e-3 / dt)] if compared else pulled[shows]
    small = dip if dipped else find_dip(near, noise, dt)
    if dipped or (small.clear > DIP_SEEN and small.bottom > peak_at // 2):
        bottom, span = bottom_of(b.rise, noise, dt, small)
        reach = span + round(6e-4 / dt)
        around = (bottom - reach, bottom + reach)
        arrival = _less_sure(best_kink(b.rise, noise, dt, *around, 1.0, SIDES_S[:5], bent=True, cusp=True), FAINT_DIP)
    else:
        arrival = _less_sure(_shoulder(trace, b, noise, peak_at, end, compared), FAINT_SHOULDER)
    if arrival is None or (
        kink is not None and (kink.clear > arrival.clear or arrival.jump < SHOULDER_SHARP * kink.jump)
    ):
        arrival = _less_sure(kink, FAINT_SHOULDER) or arrival
    if arrival is not None and arrival.clear >= 3.0:
        arrival = still_slow(b, arrival, noise, dt)
        seated = seated_at(b, arrival, noise, dt) if compared else arrival
        if seated is not arrival:
            seen = (
                f"the current bends at {1e3 * (arrival.s + float(trace.rise_s[0])):.1f} ms, but the gap is not closed"
            )
            then = "and again later: the armature stops on its way" if seated is not None else "and no later bend shows"
            notes.append(f"{seen} then, {then}")
        arrival = seated
    if arrival is not None:
        at_s = arrival.s + float(trace.rise_s[0])
        arrival = replace(arrival, s=at_s, u_s=float(np.hypot(arrival.u_s, MISSING * trace.missing_at(at_s))))
    if arrival is not None and float(np.interp(arrival.s, trace.rise_s, b.rise_flux)) < ARRIVAL_FLUX * top:
        notes.append(
            f"the current bends at {1e3 * arrival.s:.1f} ms, before there is the flux to move an armature: the switch "
            "bounces, or the leads ring; the arrival is not stated"
        )
        return Motion(None if evidence == by_dip else True, evidence, None, None, np.nan, np.nan, tuple(notes))
    if arrival is None or arrival.clear < 3.0:
        arrival = None
        notes.append("the armature moved, but its arrival does not show")
    start = first_motion(trace, b, noise, arrival.s) if arrival is not None else None
    if bounced_s > 0.0:
        notes.append(f"the current breaks off at once until {1e3 * bounced_s:.1f} ms: the switch bounces")
        start = None
        if arrival is not None:
            arrival = replace(arrival, u_s=float(np.hypot(arrival.u_s, 0.1 * bounced_s)))
    ring = find_dip(b.rise[:early], noise, dt)
    if start is not None and ring.clear > DIP_CLEAR and ring.depth > DIP_LEAST:
        seen = f"the current falls at {1e3 * float(trace.rise_s[ring.top]):.1f} ms already"
        notes.append(f"{seen}: the switch bounces, or the leads ring; the first motion does not show")
        start = None
        if arrival is not None:
            arrival = replace(arrival, u_s=float(np.hypot(arrival.u_s, 0.5 * float(trace.rise_s[ring.bottom]))))
    missing_s = trace.missing_at(arrival.s) if arrival is not None else 0.0
    depth, depth_u = _depth(b, dip if dipped else None, arrival, noise, dt, missing_s)
    return Motion(True, evidence, start, arrival, depth, depth_u, tuple(notes))


def _depth(
    b: Branches, dip: Dip | None, arrival: Instant | None, noise: float, dt: float, missing_s: float
) -> tuple[float, float]:
    """Depth of the dip over the full current and its standard uncertainty; NaN when it does not show.

    The bottom is a cusp, and the top is short: means over a few samples flatten both; the fit at the kink and the
    local parabolas do so less.
    """
    half = max(2, round(4e-4 / dt))
    sd = noise * (2.25 / (2 * half + 1)) ** 0.5
    if arrival is None:
        return np.nan, np.nan
    if not np.isfinite(arrival.level):
        if dip is not None:
            return dip.depth, float(np.hypot(DIP_BARE * dip.depth, DIP_MODEL))
        return _none_seen(b, noise, dt)
    at = max(3, min(round(arrival.s / dt), len(b.rise_smooth) - 1))
    top = float(b.rise_smooth[: at + 1].max())
    depth = max(top - arrival.level, 0.0, dip.depth if dip is not None else 0.0)
    hides = DIP_HIDES * float(np.exp(-depth / DIP_HIDES_IN))
    # until the arrival the current falls: where that is not well known, nor is how far
    before = b.rise_smooth[max(at - round(1e-3 / dt), 0)]
    fall = max(float(before) - arrival.level, 0.0) / 1e-3
    other = max(float(b.rise_smooth[at]) - arrival.level, depth - (top - arrival.level), 0.0)
    parts = (
        DIP_FIT * arrival.level_u,
        DIP_EXTREMES * sd,
        DIP_NOISY * noise,
        DIP_HIDDEN * hides,
        DIP_RATE * fall * arrival.u_s,
        DIP_OTHER * other,
        DIP_PART * depth,
        DIP_COARSE * fall * dt,
        DIP_MISSING * fall * missing_s,
    )
    flat = DIP_FLAT * fall * dt + DIP_FLAT_NOISE * noise if depth > 0.0 else 0.0
    return depth + flat, sum(part**2 for part in parts) ** 0.5


def _none_seen(b: Branches, noise: float, dt: float) -> tuple[float, float]:
    """0.0 and what noise may hide; NaN where the current falls before it has settled."""
    half = max(2, round(4e-4 / dt))
    sd = noise * (2.25 / (2 * half + 1)) ** 0.5
    until = int(np.argmax(b.rise_smooth > 0.97)) or len(b.rise_smooth)
    seen = b.rise_smooth[:until]
    fall = float((np.maximum.accumulate(seen) - seen).max(initial=0.0))
    hidden = DIP_HIDES * (1.0 + noise / DIP_NOISE)
    return (0.0, float(np.hypot(sd, hidden))) if fall < 5.0 * sd + DIP_MODEL else (np.nan, np.nan)


def _falls_as_a_coil(b: Branches, dip: Dip) -> bool:
    """Not faster than a coil's current through a diode would, by how fast it rose; an armature may be faster."""
    top = float(b.rise_smooth[dip.top])
    fall = (top - float(b.rise_smooth[dip.bottom])) / max(dip.bottom - dip.top, 1)
    return fall < COIL_FALL * (top + 0.1) * top / max(dip.top, 1)


def _less_sure(arrival: Instant | None, faint: tuple[float, float]) -> Instant | None:
    """The arrival with a larger uncertainty the fainter it is below a clearness."""
    if arrival is None:
        return None
    return replace(arrival, u_s=arrival.u_s * (1.0 + max(faint[0] - arrival.clear, 0.0) / faint[1]))


def _quick_s(trace: CoilTrace, b: Branches) -> float:
    """Time to 63 % of the full current, s."""
    return float(trace.rise_s[int(np.argmax(b.rise_smooth > 0.63))])


def _sharp_bend(trace: CoilTrace, b: Branches, noise: float) -> Instant | None:
    """A slope that rises at once, on the rise: an armature that arrives does that, iron does not."""
    dt = trace.dt_s
    first, last = round(1e-3 / dt), int(np.argmax(b.rise_smooth > 0.97)) or len(b.rise) - 1
    if last < first + 6:
        return None
    found = best_kink(b.rise, noise, dt, first, last, 1.0, SIDES_S, bent=True)
    if found is None or found.clear < KINK_CLEAR or found.jump * _quick_s(trace, b) < KINK_JUMP:
        return None
    return found


def _shoulder(trace: CoilTrace, b: Branches, noise: float, peak: int, end: int, compared: bool) -> Instant | None:
    """Arrival without a dip: a bend upwards in the current or the end of the hump's fall, the more certain of the two.

    An arrival is sharp. Eddy currents let the hump end in a long slope, whose own end is none.
    """
    dt = trace.dt_s
    fall_s = max((end - peak) * dt, 1e-3)
    third = round(0.3 * fall_s / dt)
    found = [best_kink(b.rise, noise, dt, peak, end + 2 * third, 1.0, SIDES_S, bent=True)]
    if compared:
        raw = b.rise - b.rise_smooth + b.apart
        sides = tuple(share * fall_s for share in (0.25, 0.5, 1.0))
        by_hump = best_kink(raw, noise, dt, peak + third, end + third, 1.0, sides, bent=False)
        found.append(by_hump and replace(by_hump, level=np.nan))
    seen = [f for f in found if f is not None and f.clear > SHOULDER_SEEN]
    sharpest = max((f.jump for f in seen), default=0.0)
    clear = [f for f in seen if f.clear > SHOULDER_CLEAR and f.jump > SHOULDER_SHARP * sharpest]
    return min(clear, key=lambda f: f.u_s, default=None)
