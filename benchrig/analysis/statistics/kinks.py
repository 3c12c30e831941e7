"""Where a curve bends: kinks, dips, and the moment at which it leaves the line it was on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.smoothing import KinkScan, scan_kinks

__all__ = ["Dip", "Instant", "begins_sharply", "best_kink", "bottom_of", "find_dip", "leaving"]

START_MODEL_S = 3e-4  # standard uncertainty of a first motion because its true curve is another ...
START_SHARE = 0.1  # ... and of the time from the first sample used to the last
DIP_SPANS_S = (0.4e-3, 0.8e-3, 1.6e-3)  # averages in which a dip is looked for
DIP_SHARE = 0.038  # of the window: standard uncertainty of a kink because the true curves are no parabolas
SHOULDER_SHARE = 0.22
BOTTOM_CLEAR = 12.0  # standard deviations by which a running mean must fall to show where the bottom of a dip is
BEGINS_AS = 0.6  # of the bend that a dip ends with: one that begins with as much begins at once
# standard deviations of a cusp's bend, those by which it may be less sharp than it seems, and the part of the clearest
# bend's clearness with which one that fits is preferred to one that does not
CUSP_CLEAR, CUSP_SD, CUSP_PART = 4.0, 3.0, 0.4
# another place of this part of the evidence, so many standard uncertainties away, may be the cusp as well
CUSP_OTHER, CUSP_APART = 0.7, 4.0
# Uncertainty of a cusp by 1,650 arrivals in records by other physics, with values over the full current: a part of the
# window over the clearness, which is what noise makes of it (the curvature of one fit's residuals says the same, but
# scatters itself); a part of a sample; a part of the window, because the curves are no parabolas; and one that grows
# with noise times window, per second: the more noise, the worse a fit goes unnoticed. The cusp comes earlier than
# found, by a part of a sample and by one of the window times the root of the noise: eddy currents round it off, and
# noise makes the windows longer.
CUSP_BLUR, CUSP_SAMPLE, CUSP_SHARE, CUSP_NOISE = 0.36, 0.23, 0.0095, 640.0
CUSP_EARLIER_SAMPLE, CUSP_EARLIER = 0.067, 0.07
SHARP_SHARE = 0.5  # of the sharpest bend nearby: less is another event


@dataclass(frozen=True)
class Instant:
    """A time and its standard uncertainty, seconds.

    `clear` is the change of slope over its standard deviation, `jump` that change per second; `level` the fitted value
    there and `level_u` its standard uncertainty, both NaN where that has no meaning.
    """

    s: float
    u_s: float
    clear: float
    level: float = np.nan
    level_u: float = np.nan
    jump: float = np.nan


def best_kink(
    values: Samples,
    noise: float,
    dt: float,
    low: int,
    high: int,
    sign: float,
    sides_s: tuple[float, ...],
    *,
    bent: bool,
    cusp: bool = False,
    certain: bool = False,
) -> Instant | None:
    """Clearest change of slope of one sign between two samples.

    Windows of all lengths before and after are tried; the one is used in which the change of slope is largest against
    its standard deviation, taken from the residuals where they are larger than the noise. When two parabolas do not fit
    even there, shorter windows nearby take over.

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
    cusp : bool
        The kink is that of a dip or a hump, the sharpest bend around: a bounce beside it is passed over.
    certain : bool
        There is a bend, as the curvature has shown: a clear one that fits badly is better than a faint one.

    Returns
    -------
    Instant or None
        Time from the first sample; None when no window fits.
    """
    lengths = sorted({max(4, round(s / dt)) for s in sides_s})
    pairs = [(left, right) for left in lengths for right in lengths if right <= 2 * left and left <= 4 * right]
    first, end = low, high + 1
    at = []
    for left, right in pairs:
        scan = scan_kinks(values[max(low - left, 0) : end + right], left, right, bent=bent)
        if scan is not None:
            at.append(((left, right), scan))
    found = [f for pair, scan in at if (f := _kink_at(scan, first, noise, dt, low, high, sign, *pair, bent, cusp))]
    if not found:
        return None
    best = max(found, key=lambda f: f.strength)
    # where no window fits better, the noise is larger than it was taken for
    floor = max(1.0, min(f.misfit for f in found))
    if cusp:
        best = _sharpest_that_fits(found, best, floor)
    if not best.fits_to(floor):
        # the bend is too sharp for these windows: the longest that do fit, nearby
        reach = round(6e-4 / dt) + 1
        low, high = max(low, best.at - reach), min(high, best.at + reach)
        closer = [f for pair, scan in at if (f := _kink_at(scan, first, noise, dt, low, high, sign, *pair, bent, cusp))]
        # a bounce nearby fits more easily than the arrival but bends the curve far less
        if cusp:
            sharpest = max((f.jump for f in closer if f.instant.clear > 4.0), default=0.0)
            closer = [f for f in closer if f.jump >= SHARP_SHARE * sharpest]
        good = [f for f in closer if f.fits_to(floor) and f.instant.clear > 4.0]
        if good:
            best = max(good, key=lambda f: f.strength)
        elif closer:
            # what hardly bends always fits, but is no better answer
            bend = [f for f in closer if f.instant.clear > 4.0] or [best] if certain else closer
            best = min(bend, key=lambda f: f.misfit)
        if cusp and not best.lowest:
            # the residuals still fall where the search ends
            return replace(best.instant, u_s=float(np.hypot(best.instant.u_s, 0.5 * reach * dt)))
    return best.instant


@dataclass(frozen=True)
class _Kink:
    lowest: bool
    freedom: int
    misfit: float
    strength: float
    jump: float
    at: int
    instant: Instant

    def fits_to(self, floor: float) -> bool:
        """Both parabolas fit as well as noise of this variance, over that of the noise, lets them."""
        return self.lowest and self.misfit < floor * (1.0 + 2.5 * (2.0 / self.freedom) ** 0.5)


def _kink_at(
    scan: KinkScan,
    first: int,
    noise: float,
    dt: float,
    low: int,
    high: int,
    sign: float,
    left: int,
    right: int,
    bent: bool,
    cusp: bool,
) -> _Kink | None:
    """Clearest kink between two samples in a scan whose samples begin `left` before `first`."""
    a = max(low, left)
    skip = a - max(first, left)
    part = slice(skip, skip + high - a + 1)
    rss, jump = scan.rss[part], scan.jump[part]
    if len(rss) < 3:
        return None
    misfit = np.maximum(rss / max(noise**2 * scan.freedom, 1e-300), 1.0)
    clear = jump * (sign / (scan.jump_sd * noise))
    # a bad fit beside a clear kink is worth more than a good fit of nothing
    k = int(np.argmax(clear / np.sqrt(misfit)))
    near = np.arange(max(0, k - left // 2), min(len(clear), k + left // 2 + 1))
    cost = np.where(clear[near] > 3.0, rss[near], np.inf)
    if np.isfinite(cost.min()):
        k = int(near[np.argmin(cost)])
    m = min(max(k, 1), len(rss) - 2)
    y0, y1, y2 = (float(v) for v in rss[m - 1 : m + 2])
    bend = y0 - 2 * y1 + y2
    if bend <= 0.0:
        return None
    shift = min(max(0.5 * (y0 - y2) / bend, -1.0), 1.0) if m == k else 0.0
    u = (2 * noise**2 * float(misfit[k]) / bend) ** 0.5
    strength = float(clear[k]) / float(misfit[k]) ** 0.5
    at = a + k
    level, level_u = float(scan.level[skip + k]), scan.level_sd * noise * float(misfit[k]) ** 0.5
    s, u_s = (at + shift) * dt, _with_model(u, left, right, bent) * dt
    if cusp:
        window_s = 0.5 * (left + right) * dt
        s -= CUSP_EARLIER_SAMPLE * dt + CUSP_EARLIER * noise**0.5 * window_s
        blur = CUSP_BLUR * window_s / max(strength, 1e-3)
        parts = blur, CUSP_SAMPLE * dt, CUSP_SHARE * window_s, CUSP_NOISE * noise * window_s**2
        u_s = sum(part**2 for part in parts) ** 0.5
    found = Instant(
        s,
        u_s,
        strength,
        level,
        level_u,
        sign * float(jump[k]) / dt,
    )
    return _Kink(m == k, scan.freedom, float(misfit[k]), strength, sign * float(jump[k]), at, found)


def _with_model(u: float, left: int, right: int, bent: bool) -> float:
    """Add to the noise, in samples, that the true curves are no parabolas: shares found by Monte Carlo."""
    return float(np.sqrt(u**2 + 0.35**2 + ((DIP_SHARE if bent else SHOULDER_SHARE) * (left + right) / 2) ** 2))


def _sharpest_that_fits(found: list[_Kink], best: _Kink, floor: float) -> _Kink:
    """The clearest kink of windows that fit, if it is about as clear as the clearest; faint bends beside it left out.

    Long windows across a bounce bend more clearly than any, but fit badly; short ones find the bounce after a deep dip
    and fit well there, because it hardly bends the curve.
    """
    clear = [f for f in found if f.strength > CUSP_CLEAR]
    if not clear:
        return best
    sharpest = max(f.instant.jump * (1.0 - CUSP_SD / f.strength) for f in clear)
    clear = [f for f in clear if f.instant.jump >= SHARP_SHARE * sharpest] or clear
    good = [f for f in clear if f.fits_to(floor) and f.strength > CUSP_PART * best.strength]
    chosen = max(good or clear, key=lambda f: f.strength)
    others = [f for f in clear if f.strength > CUSP_OTHER * chosen.strength and _apart(f, chosen) > CUSP_APART]
    if not others:
        return chosen
    # two places of nearly equal evidence: an interval over both
    apart = max(others, key=lambda f: f.strength).instant.s - chosen.instant.s
    u_s = float(np.hypot(chosen.instant.u_s, 0.5 * apart))
    return replace(chosen, instant=replace(chosen.instant, s=chosen.instant.s + 0.5 * apart, u_s=u_s))


def _apart(one: _Kink, other: _Kink) -> float:
    """Standard uncertainties between two kinks."""
    return abs(one.instant.s - other.instant.s) / float(np.hypot(one.instant.u_s, other.instant.u_s))


@dataclass(frozen=True)
class Dip:
    """Deepest fall that is made good again.

    `depth`, its standard deviation `u` and the `level` at the bottom in the unit of the values; `clear` is the depth of
    the shallower side over `u`; `top`, `bottom` and `span` (the running mean that shows it best) in samples.
    """

    depth: float
    u: float
    clear: float
    top: int
    bottom: int
    span: int
    level: float


def find_dip(values: Samples, noise: float, dt: float) -> Dip:
    """Deepest dip, in standard deviations, of running means of three lengths."""
    best = Dip(0.0, noise, 0.0, 0, 0, 1, 0.0)
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
            best = Dip(
                float(before[k] - mean[k]), u, float(depth[k]) / u, top + span // 2, k + span // 2, span, float(mean[k])
            )
    return best


def bottom_of(values: Samples, noise: float, dt: float, dip: Dip) -> tuple[int, int]:
    """Bottom of a dip by the shortest running mean that shows it well, and that mean's length, in samples.

    The mean that shows a dip best is a long one where there is little noise, and its lowest value may lie between the
    bottom and a bounce.
    """
    first = max(0, dip.top - dip.span)
    part = values[first : dip.bottom + 2 * dip.span + 1]
    for span_s in DIP_SPANS_S:
        span = max(1, round(span_s / dt))
        if span >= dip.span or len(part) < 3 * span:
            break
        sums = np.concatenate([[0.0], np.cumsum(part)])
        mean = (sums[span:] - sums[:-span]) / span
        k = int(np.argmin(mean[span:])) + span
        if float(mean[: k + 1].max() - mean[k]) > BOTTOM_CLEAR * noise * (2.0 / span) ** 0.5:
            return first + k + span // 2, span
    return dip.bottom, dip.span


def begins_sharply(
    values: Samples, noise: float, dip: Dip, dt: float, reach_s: float, sides_s: tuple[float, ...], clear: float
) -> bool:
    """Whether a dip begins with as sharp a bend as it ends with: a switch's does; an armature's begins gently.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced, `dt` apart; `noise` is the standard deviation of one.
    dip : Dip
        As `find_dip` found it.
    reach_s : float
        How far from its top and bottom the bends are looked for.
    sides_s : tuple of float
        Lengths of the windows, as for `best_kink`.
    clear : float
        Standard deviations that the first bend must have.
    """
    reach, last = round(reach_s / dt) + 1, len(values) - 1
    begin, end = (
        best_kink(values, noise, dt, max(0, at - reach), min(at + reach, last), sign, sides_s, bent=True)
        for at, sign in ((dip.top, -1.0), (dip.bottom, 1.0))
    )
    if begin is None or end is None or begin.clear < clear:
        return False
    return begin.jump > BEGINS_AS * end.jump


def leaving(t_s: Samples, flux: Samples, current: Samples, noise: float) -> Instant | None:
    """When the current leaves the line of the resting armature.

    Until then current against flux is a gentle curve, taken as a parabola; afterwards it departs with the square and
    the third power of the time since. All instants are weighed by their likelihood.

    Parameters
    ----------
    t_s, flux, current : ndarray, shape (n,)
        Samples from well before the first motion until well after it.
    noise : float
        Standard deviation of one sample of the current.

    Returns
    -------
    Instant or None
        None with fewer than 7 samples. `clear` is not used.
    """
    if len(t_s) < 7:
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
    return Instant(mean, (u**2 + step**2 + START_MODEL_S**2 + (START_SHARE * float(t_s[-1] - t_s[0])) ** 2) ** 0.5, 0.0)
