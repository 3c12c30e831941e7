"""When the armature first moves on the rise, from the whole of its flight.

The first motion itself adds next to no current: it is told from what comes after it. Three things tell of it, none
alone well. While the armature flies, the current at a flux falls short of the resting armature's by a power of the time
since it left. The hump of the rise over the decay has its top where the gap begins to close faster than the flux grows,
which is some part of the flight after its beginning. And a flight takes some milliseconds, however long the current
needs before it.
"""

from __future__ import annotations

import numpy as np

from benchrig.analysis.coil.coil_trace import CoilTrace
from benchrig.analysis.coil.flux_linkage import Branches
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.kinks import Instant
from benchrig.analysis.statistics.smoothing import local_quadratic

__all__ = ["first_motion"]

POWERS = (2.0, 3.0, 4.0)  # of the time since leaving: at a jump, with a force that grows, and with one that turns up
TRIES = 50
SOFT = 0.1  # power of the likelihood: no flight is a pure power of time, and its misfit is common to many samples
BEFORE_ARRIVAL_S = 2e-4  # the cusp is rounded
FEWEST = 8  # samples of flight and approach below which there is nothing to fit
WINDOW_S = 7e-4  # half width of the parabolas that smooth the hump
CLOSED_S = 5e-4  # after the arrival: the gap is closed, and the smoothed hump has its foot there
LEAST_STRAIGHT, MOST_STRAIGHT, MOST_HIDDEN = -0.5, 1.0, 0.2
EARLIEST, LATEST = 0.12, 0.95  # of the arrival
# First motion as a part of the arrival: a constant, and what it gains by the fit, by the hump's top, by how straight
# the hump rises, and by the logarithm of the arrival over `ARRIVAL_S`; without a hump; without either.
ARRIVAL_S = 8e-3
HUMP, BARE, UNSEEN = (-0.111, 0.34, 0.70, -0.193, 0.067), (0.105, 0.77, 0.053), (0.395, 0.057)
# Parts of its standard uncertainty: what no record shows; by how far the fits disagree; by the noise of the smoothed
# hump over its height; and of quick pull-ins, by the arrival over `SHORT_S`, whose flight hardly differs from the rest.
LEAST_U, FIT_U, HIDDEN_U, SHORT_U, SHORT_S = 0.062, 0.35, 1.85, 0.134, 5e-3
BARE_U, UNSEEN_U = 0.094, 0.18
AGREED = 0.15  # of the arrival, by which what the hump adds may differ from the fit alone: of 1,850 1,750 did not


def flight_fit(t_s: Samples, flux: Samples, current: Samples, noise: float, arrival_s: float) -> tuple[float, float]:
    """First motion as a part of the arrival, and the standard deviation of what the fits allow.

    Current against flux is a parabola, less flux times a power of the time since leaving, until the arrival.
    """
    f = flux / flux[-1]
    still = np.linalg.qr(np.stack([np.ones_like(f), f, f * f], axis=1))[0]
    y = current - still @ (still.T @ current)
    tries = np.linspace(t_s[0] + 0.03 * arrival_s, 0.95 * arrival_s, TRIES)
    late = np.maximum(t_s[None, :] - tries[:, None], 0.0) / (arrival_s - tries[:, None])
    enough = np.count_nonzero(late, axis=1) >= 3
    rss = []
    for power in POWERS:
        away = f * late**power
        away = away - (away @ still) @ still.T
        size = np.maximum(np.einsum("ij,ij->i", away, away), 1e-300)
        rss.append(np.where(enough, y @ y - (away @ y) ** 2 / size, np.inf))
    cost = np.stack(rss)
    least = float(cost.min())
    sd2 = max(noise**2, least / max(len(t_s) - 6, 1))
    weight = np.exp(-0.5 * SOFT * (cost - least) / sd2).sum(axis=0)
    weight /= weight.sum()
    mean = float(weight @ tries)
    return mean / arrival_s, float(weight @ (tries - mean) ** 2) ** 0.5 / arrival_s


def hump_top(b: Branches, rise_s: Samples, dt: float, arrival_s: float) -> tuple[float, float, float] | None:
    """Top of the hump as a part of the arrival, how straight it rises, and its height over the full current.

    How straight: its height at half the top's flux, of that at the top. It is a half where the decay is that of the
    seated armature, and less where that has left its seat at such a flux already.
    """
    if np.count_nonzero(np.isfinite(b.apart)) <= FEWEST:
        return None
    apart = local_quadratic(b.apart, max(2, round(WINDOW_S / dt)))
    arrived = int(np.searchsorted(rise_s, arrival_s))
    if arrived < 2:
        return None
    top = int(np.argmax(apart[:arrived]))
    closed = float(np.interp(arrival_s + CLOSED_S, rise_s, apart))
    height = float(apart[top]) - closed
    if not height > 0.0:
        return None
    half = float(np.interp(0.5 * b.rise_flux[top], b.rise_flux, apart)) - closed
    straight = min(max(half / height, LEAST_STRAIGHT), MOST_STRAIGHT)
    return float(rise_s[top]) / arrival_s, straight, height


def first_motion(trace: CoilTrace, b: Branches, noise: float, arrival_s: float) -> Instant:
    """First motion on the rise, from switch-on.

    The parts that the fit of the flight, the hump's top and the usual length of a flight have in it, and its
    uncertainty, are those of a Monte Carlo over other people's physics: 1,950 first motions of tests/benchmarks/
    strangers.py, seeds 41001, 62001, 62002 and 81001.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    b : Branches
        Its rise and decay.
    noise : float
        Standard deviation of one sample, over the full current.
    arrival_s : float
        Arrival, from switch-on.

    Returns
    -------
    Instant
        `clear` is not used.
    """
    long = float(np.log(arrival_s / ARRIVAL_S))
    rows = np.flatnonzero((trace.rise_s > min(5e-4, 0.15 * arrival_s)) & (trace.rise_s < arrival_s - BEFORE_ARRIVAL_S))
    short = float(np.exp(-arrival_s / SHORT_S))
    if len(rows) < FEWEST:
        part, u = UNSEEN[0] + UNSEEN[1] * long, UNSEEN_U
    else:
        fitted, fit_u = flight_fit(trace.rise_s[rows], b.rise_flux[rows], b.rise[rows], noise, arrival_s)
        top = hump_top(b, trace.rise_s, trace.dt_s, arrival_s)
        bare = BARE[0] + BARE[1] * fitted + BARE[2] * long
        if top is None:
            part, u = bare, float(np.hypot(BARE_U, FIT_U * fit_u))
        else:
            top_part, straight, height = top
            part = HUMP[0] + HUMP[1] * fitted + HUMP[2] * top_part + HUMP[3] * straight + HUMP[4] * long
            apart = max(abs(part - bare) - AGREED, 0.0)
            hidden = min(noise * (trace.dt_s / (2.0 * WINDOW_S)) ** 0.5 / height, MOST_HIDDEN)
            u = float(sum(x * x for x in (LEAST_U, FIT_U * fit_u, HIDDEN_U * hidden, SHORT_U * short, apart)) ** 0.5)
    part = min(max(part, EARLIEST), LATEST)
    return Instant(part * arrival_s, u * arrival_s, 0.0)
