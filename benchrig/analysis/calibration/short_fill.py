"""A short fill as a transducer with a lag shows it: when it began and ended, and the pressure in the gas in between.

Between the opening's opening at t1 and its shutting at t2 the pressure in the gas is a polynomial of the time, before
it constant, after it a straight line (the shut-in gas begins to cool). A first-order transducer shows each of these in
closed form, so everything but t1, t2 and, if asked for, the transducer's time constant is a linear least-squares fit.
What the opening is like, and how its flow depends on the pressure, need not be known.

With y the answer to u^k from rest, u = (t - t1) / (t2 - t1), integration by parts gives y_k = u^k - k tau / (t2 - t1)
y_(k-1), and y_0 = 1 - exp(-(t - t1) / tau).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import noise_sd

__all__ = ["ShortFill", "short_fill"]

DEGREE = 4
BEFORE_S, AFTER_S = 0.05, 0.04
LEAST_RISE_PA = 3_000.0
EARLIER_MS = (np.arange(0.0, 5.0, 2.0), np.arange(0.0, 16.0, 1.0))
"""Where to begin the search: so much before the first guesses, which see the lag. There are several valleys."""
RESPONSES_LN, STARTS = (-0.8, 0.0, 0.8), 3
SCANNED, MOST_SAMPLES = 400, 1500
STEP = 0.003
"""Of the search, ms and part of the time constant: samples lie further apart, noise is smoother than that."""
STEEP = 0.15
"""Part of the steepest rise that marks the beginning and the end, as a first guess."""


@dataclass(frozen=True)
class ShortFill:
    """What the gas did.

    Attributes
    ----------
    opened_s, shut_s : float
        Beginning and end of the inflow, on the record's time axis, s.
    start_pa, end_pa : float
        Pressure in the gas before and when the flow ended, Pa.
    coefficients : ndarray, shape (DEGREE,)
        Of u, u^2, ...: pressure above `start_pa`, Pa.
    response_s, response_u_s : float
        The transducer's time constant, given (then its uncertainty is 0) or fitted.
    noise_pa, residual_pa : float
        Scatter of the (thinned) samples before the opening, and of the whole record about the fit.
    """

    opened_s: float
    shut_s: float
    start_pa: float
    end_pa: float
    coefficients: Samples
    response_s: float
    response_u_s: float
    noise_pa: float
    residual_pa: float

    def pressure_pa(self, part: Samples) -> Samples:
        """Pressure in the gas after so great a part, 0 to 1, of the time that the opening was open."""
        above = np.polynomial.polynomial.polyval(part, np.concatenate(([0.0], self.coefficients)))
        return np.asarray(self.start_pa + above, dtype=np.float64)


def short_fill(time_s: Samples, pressure_pa: Samples, response_s: float, *, find_response: bool = False) -> ShortFill:
    """Fit a short fill.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        As shown by the transducer, with a lead-in of some hundredths of a second and as much after the end.
    response_s : float
        Time constant of the transducer, or a first guess of it, s.
    find_response : bool
        Fit it too.

    Raises
    ------
    ValueError
        The pressure hardly rose, or still rose at the end of the record.

    Examples
    --------
    >>> t = np.arange(-0.05, 0.12, 1e-4)
    >>> x = np.clip(t, 0.0, 0.04)
    >>> p = 4e4 + 6e5 * (x - 0.003 * (1 - np.exp(-x / 0.003)))
    >>> p = np.where(t > 0.04, 6.4e4 - 6e5 * 0.003 * (1 - np.exp(-x / 0.003)) * np.exp(-(t - 0.04) / 0.003), p)
    >>> found = short_fill(t, p, 0.002, find_response=True)
    >>> round(1e3 * found.response_s, 3), round(1e3 * found.shut_s, 3), round(found.end_pa)
    (3.0, 40.0, 64000)
    """
    from scipy.optimize import least_squares

    opened_s, shut_s = _first_guess(time_s, pressure_pa)
    inside = (time_s > opened_s - BEFORE_S) & (time_s < shut_s + AFTER_S)
    t, p = _thinned(time_s[inside], pressure_pa[inside])

    def times(z: Samples) -> tuple[float, float, float]:
        """Both instants, s, from milliseconds off the first guess, and the time constant from its logarithm."""
        tau_s = response_s * float(np.exp(z[2] - 1)) if find_response else response_s
        return opened_s + 1e-3 * float(z[0] - 1), shut_s + 1e-3 * float(z[1] - 1), tau_s

    def left(z: Samples) -> Samples:
        a = _columns(t, *times(z))
        return np.asarray(p - a @ np.linalg.lstsq(a, p, rcond=None)[0], dtype=np.float64)

    every = max(1, len(t) // SCANNED)

    def roughly(z: Samples) -> float:
        a = _columns(t[::every], *times(z))
        return float(np.sum((p[::every] - a @ np.linalg.lstsq(a, p[::every], rcond=None)[0]) ** 2))

    others = [[1.0 + k] for k in RESPONSES_LN] if find_response else [[]]
    tried = [np.array([1.0 - a, 1.0 - b, *tau]) for a in EARLIER_MS[0] for b in EARLIER_MS[1] for tau in others]
    starts = sorted(tried, key=roughly)[: STARTS if find_response else 1]
    ends = [least_squares(left, start, diff_step=STEP, xtol=1e-9, ftol=1e-9) for start in starts]
    found = min(ends, key=lambda end: float(end.cost))
    began_s, ended_s, tau_s = times(found.x)
    a = _columns(t, began_s, ended_s, tau_s)
    c = np.linalg.lstsq(a, p, rcond=None)[0]
    spare = max(len(t) - len(c) - len(found.x), 1)
    residual_pa = float(np.sqrt(np.sum(found.fun**2) / spare))
    # with the linear part solved for each time, the curvature of what is left is that of the whole fit
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * residual_pa**2
    before = p[t < began_s - 0.002]
    return ShortFill(
        opened_s=began_s,
        shut_s=ended_s,
        start_pa=float(c[0]),
        end_pa=float(c[0] + c[1:-1].sum()),
        coefficients=np.asarray(c[1:-1], dtype=np.float64),
        response_s=tau_s,
        response_u_s=tau_s * float(np.sqrt(covariance[2, 2])) if find_response else 0.0,
        noise_pa=float(before.std(ddof=1)),
        residual_pa=residual_pa,
    )


def _thinned(time_s: Samples, pressure_pa: Samples) -> tuple[Samples, Samples]:
    """Means of neighbouring samples, so many that no more than `MOST_SAMPLES` are left."""
    every = -(-len(time_s) // MOST_SAMPLES)
    whole = len(time_s) // every * every
    return time_s[:whole].reshape(-1, every).mean(axis=1), pressure_pa[:whole].reshape(-1, every).mean(axis=1)


def _first_guess(time_s: Samples, pressure_pa: Samples) -> tuple[float, float]:
    """When the shown pressure began and ceased to rise steeply, s."""
    per_ms = 1e-3 / float(np.median(np.diff(time_s)))
    for width_ms in (2, 4, 8, 16, 32):  # the shortest in which the rise stands out of the noise
        width = max(3, round(width_ms * per_ms))
        smooth = np.convolve(pressure_pa, np.ones(width) / width, mode="valid")
        rose_pa = float(smooth.max() - smooth[0])
        if rose_pa < LEAST_RISE_PA:
            raise ValueError(f"the pressure rose by {rose_pa:.0f} Pa: nothing was let in")
        slope = smooth[width:] - smooth[:-width]
        if STEEP * slope.max() > 8 * noise_sd(pressure_pa) / np.sqrt(width):
            break
    when = time_s[width // 2 : width // 2 + len(smooth)]
    steep = np.flatnonzero(slope > STEEP * slope.max())
    opened_s, shut_s = float(when[steep[0]]), float(when[steep[-1] + width])
    if shut_s + AFTER_S > time_s[-1]:
        raise ValueError("the pressure still rose at the end of the record: what was opened did not shut")
    return opened_s, shut_s


def _columns(t: Samples, opened_s: float, shut_s: float, response_s: float) -> Samples:
    """What the transducer shows of each term: start, u, u^2, ..., slope after the end; shape (n, DEGREE + 2)."""
    length_s = max(shut_s - opened_s, 1e-4)
    since = np.clip(t - opened_s, 0.0, length_s)
    after = np.maximum(t - shut_s, 0.0)
    u = since / length_s
    fading = np.exp(-after / response_s)
    answer = 1 - np.exp(-since / response_s)
    terms = [np.ones_like(t)]
    for k in range(1, DEGREE + 1):
        answer = u**k - k * response_s / length_s * answer
        terms.append(np.where(after > 0, 1 + (answer - 1) * fading, answer))
    terms.append(after - response_s * (1 - fading))
    return np.stack(terms, axis=1)
