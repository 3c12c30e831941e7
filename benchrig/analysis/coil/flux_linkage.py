"""Flux linkage of the coil from its current, on the rise and on the decay, and the gap between the two.

The voltage left over after the resistance builds up the flux: ``d flux/dt = V - R i``. Divided by R and by the full
current it needs no inductance and no volts: ``d f/dt = v - i/I``, with f in seconds, v the supply over its final value.
After release the coil drives its current through a diode: ``d f/dt = -(i + c)/I``, ``c`` the diode's volts over R.

Whatever the iron does, as long as the armature stands still the current is one function of the flux, apart from a lag
by eddy currents and coercive force. Both move the two branches apart by about the same current everywhere: with an eddy
loop of resistance Re the distance is ``(V + Vd)/(Re + R)``, whatever the saturation. An armature that closes a gap of
reluctance G adds ``G x flux`` to the current of the rise until it arrives, and nothing afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.coil.coil_trace import CoilTrace
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.smoothing import local_quadratic

__all__ = ["Branches", "Steady", "branches", "steady_current"]

TRIED = 16  # time constants of the last approach, from 0.04 of the pulse ...
EVENLY = np.linspace(0.0, 1.0, TRIED)
SLOWEST = 4.0  # ... to 0.4 of it, or so many times the time in which the current rose to 63 %
FALLS = 0.01  # odds that it falls towards its end, as no coil's current does (engineering judgement)
FALLING = 8.0  # of a fall in the last tenth of the pulse that may be wrong with the steady current
NOT_EXPONENTIAL = 0.5  # standard uncertainty of an extrapolation, share of it (engineering judgement)


@dataclass(frozen=True)
class Steady:
    """Current that the rise settles at, A, and its uncertainty; `unsettled` is the share still missing at the end."""

    current_a: float
    u_a: float
    unsettled: float


def steady_current(trace: CoilTrace) -> Steady:
    """Final current of the pulse, extrapolated when it is not there yet.

    The last 45 % of the pulse is fitted with a constant plus one exponential of unknown time constant; the answers for
    all time constants, and for the plain mean, are averaged by their likelihood, so the uncertainty covers the choice.

    Parameters
    ----------
    trace : CoilTrace
        With at least 12 samples of rise.

    Returns
    -------
    Steady
        Uncertainty without that of the zero and of the scale of the current channel.
    """
    pulse_s, pulse_a, pulse_v = trace.whole or (trace.rise_s, trace.rise_a, trace.rise_v)
    n = len(pulse_a)
    last = slice(min(int(0.55 * n), n - 6), n)
    t = pulse_s[last]
    y = pulse_a[last] / np.maximum(pulse_v[last], 0.1) if np.ptp(pulse_v) > 0.0 else pulse_a[last]
    m = len(y)
    sd = max(trace.noise_a, 0.29 * trace.step_a, 1e-9 * abs(float(y.mean())), 1e-15)
    sd = float(np.hypot(sd, trace.volts_sd * float(y.mean())))
    span = float(pulse_s[-1])
    mean = float(y.mean())
    # a coil whose current rose quickly does not settle slowly; where it has not settled, that time comes out too short
    rose = int(np.argmax(pulse_a > 0.63 * float(y[-max(3, m // 8) :].mean())))
    slowest = max(0.4 * span, SLOWEST * float(pulse_s[rose]))
    # a constant and one exponential, both about their means: two unknowns in closed form for all time constants at once
    taus = 0.04 * span * (slowest / (0.04 * span)) ** EVENLY
    falls = np.exp(-(t - t[0])[None, :] / taus[:, None])
    centre = falls.mean(axis=1)
    about, rest = falls - centre[:, None], y - mean
    squares = np.maximum(np.einsum("ij,ij->i", about, about), 1e-300)
    size = about @ rest / squares
    plain = float(rest @ rest)
    values = np.concatenate([[mean], mean - size * centre])
    variances = sd**2 * np.concatenate([[1.0 / m], 1.0 / m + centre**2 / squares])
    # a parameter more (Schwarz), and one in as many equally likely time constants
    more = np.log(m) + 2.0 * np.log(TRIED)
    odds = 2.0 * np.where(size > 0.0, -np.log(FALLS), 0.0)
    weights = np.concatenate([[plain], np.maximum(plain - size**2 * squares, 0.0) + (more + odds) * sd**2]) / sd**2
    left = np.concatenate([[0.0], -size * falls[:, -1]])
    least = float(weights.min())
    scale = max(1.0, least / max(m - 2, 1))
    w = np.exp(-0.5 * (weights - least) / scale)
    w /= w.sum()
    value = float(w @ values)
    variance = float(w @ (variances * scale * trace.slow_tail**2 + (values - value) ** 2))
    missing = float(w @ left)
    # iron does not settle exponentially: part of what was extrapolated; and what falls may be hum that does not show
    variance += ((NOT_EXPONENTIAL if missing > 0.0 else 1.0) * missing) ** 2
    # a coil's current never falls while it is on: a supply that sags, or an armature still on its way
    fifth = max(3, m // 4)
    fall = float(y[-2 * fifth : -fifth].mean() - y[-fifth:].mean())
    if fall > max(4.0 * sd * trace.slow_tail * (2.0 / fifth) ** 0.5, 1e-3 * value):
        variance += (FALLING * fall) ** 2
    return Steady(value, variance**0.5, missing / value if value else 0.0)


@dataclass(frozen=True)
class Branches:
    """Rise and decay against flux; currents over the full current, flux in seconds.

    Attributes
    ----------
    rise_flux, rise : ndarray, shape (n,)
        Flux and current at the samples of the rise.
    rise_smooth : ndarray, shape (n,)
        Current after a local quadratic fit.
    decay_flux, decay, decay_smooth : ndarray, shape (m,)
        The same from release until the current is used up; empty when the decay does not show the coil's current.
    decay_end_s : float or None
        When the current was used up, from release.
    apart : ndarray, shape (n,)
        Current of the rise minus that of the decay at the same flux (at the ends: at the nearest flux of the
        decay); NaN without a decay.
    diode : float
        Diode volts over R and full current, adjusted so that the flux ends near zero.
    notes : tuple of str
        Remarks.
    """

    rise_flux: Samples
    rise: Samples
    rise_smooth: Samples
    decay_flux: Samples
    decay: Samples
    decay_smooth: Samples
    decay_end_s: float | None
    apart: Samples
    diode: float
    notes: tuple[str, ...]


def branches(trace: CoilTrace, full_a: float, full_u: float, diode: float, diode_u: float) -> Branches:
    """Integrate rise and decay.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    full_a : float
        Steady current, A, positive.
    full_u : float
        Its standard uncertainty over itself.
    diode, diode_u : float
        Expected freewheel voltage over the supply voltage, and its standard uncertainty.

    Returns
    -------
    Branches
        Without a decay when there are too few samples of it, or when its current falls too fast to carry the flux.
    """
    dt = trace.dt_s
    half = max(2, round(4e-4 / dt))
    rise = trace.rise_a / full_a
    drive = trace.rise_v - rise
    first = trace.rise_s[0] * (1.0 - 0.5 * rise[0])
    flux = first + np.concatenate([[0.0], np.cumsum(0.5 * (drive[1:] + drive[:-1])) * dt])
    smooth = local_quadratic(rise, half)
    nothing = np.zeros(0)
    alone = Branches(flux, rise, smooth, nothing, nothing, nothing, None, np.full(len(rise), np.nan), diode, ())
    decay = trace.decay_a / full_a
    if len(decay) < 8:
        return alone
    noise = trace.noise_a / full_a
    decay_smooth = local_quadratic(decay, half)
    floor = max(0.01, 1.5 * noise / max(half, 1) ** 0.5)
    below = np.flatnonzero(decay_smooth < floor)
    last = int(below[0]) if len(below) else len(decay) - 1
    if last < 4:
        return alone
    flow = 0.5 * (decay[1 : last + 1] + decay[:last])
    lost = trace.decay_s[0] + np.concatenate([[0.0], np.cumsum(flow) * dt])
    spent = float(trace.decay_s[last])
    top = float(flux[-1])
    if len(below) == 0:
        close = 0.0  # cut off before the end: no closing condition
        spread = np.zeros(3)
    else:
        # the flux must end near zero: share the misfit between diode, remanence and the drift of the rise's integral
        spread = np.array([diode_u * spent, 0.015 * top, max(full_u, 4e-4) * float(trace.rise_s[-1])]) ** 2
        close = top - float(lost[-1]) - diode * spent - 0.015 * top
    if top <= 0.0 or (float(lost[-1]) + diode * spent < 0.5 * top and len(below)):
        return Branches(
            *(flux, rise, smooth, nothing, nothing, nothing, None, np.full(len(rise), np.nan), diode),
            ("the current after release is too small to be the coil's: the decay was not used",),
        )
    share = spread / max(float(spread.sum()), 1e-30)
    diode += close * float(share[0]) / spent
    flux = flux - close * float(share[2]) * trace.rise_s / max(float(trace.rise_s[-1]), 1e-9)
    decay_flux = float(flux[-1]) - lost - diode * trace.decay_s[: last + 1]
    decay_smooth = local_quadratic(decay[: last + 1], half)
    apart = smooth - np.interp(flux, decay_flux[::-1], decay_smooth[::-1])
    end = spent if len(below) else None
    return Branches(flux, rise, smooth, decay_flux, decay[: last + 1], decay_smooth, end, apart, diode, ())
