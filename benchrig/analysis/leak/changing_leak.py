"""A leak that changes with the vacuum: a diaphragm that the vacuum pulls shut leaks more as the vacuum falls.

Its flow is that of a steady leak times 1 + a (p - p0) / (vacuum at the start). What it adds to the pressure is then the
integral of the rise itself, which the record shows: one more column beside the fit's derivatives, linear in a. About
the fit that is there all other parameters are integrated out in closed form, as in `benchrig.analysis.leak.slow_rise`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.leak.explanations import component_of
from benchrig.analysis.leak.goodness_of_fit import Goodness, covariance_of, goodness_of, weights
from benchrig.analysis.leak.slow_rise import Component, positive_part
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Fitted

__all__ = ["ChangingLeak", "changing_leak"]

GROWS, GROWS_ODDS = 8.0, 0.06
"""By how many times a leak grows while the whole vacuum is lost, half-normal scale, and the odds of such a seat
(engineering judgement, no source)."""
VARIES, VARIES_ODDS = 1.0, 0.02
"""The same of a leak whose flow is merely not that of a hole or a gap, either sign: -1 is one in proportion to the
pressure difference."""

SHOWS = 2.3
"""A change is looked at where the record bends by so many standard deviations: one that bears no sign of it would cost
every interval most of its precision for a rare seat."""


@dataclass(frozen=True)
class ChangingLeak:
    """What a leak that changes with the vacuum makes of a fit.

    Attributes
    ----------
    components : tuple of Component
        The ways, with the leak at the start in the units of the fit.
    goodness : Goodness
        Of the fit with such a change, at its likeliest.
    growth : float
        Its likeliest a; 0 where there is no leak to speak of.
    """

    components: tuple[Component, ...]
    goodness: Goodness
    growth: float


def changing_leak(
    one: Fitted, x: Samples, sd: Samples, curve: Samples, vacuum_pa: float, rate_pa_s: float, noise: float,
    log_odds: float, *, coarse: bool = False,
) -> ChangingLeak | None:  # fmt: skip
    """Look for a leak that changes with the vacuum, beside a fit of a steady one; None: no leak, or no sign of it.

    Parameters
    ----------
    one : Fitted
        The fit of a steady leak.
    x, sd, curve : ndarray, shape (n,)
        Times since the beginning, s, standard deviations and smoothed pressures, Pa.
    vacuum_pa, rate_pa_s : float
        Vacuum at the start and the leak, Pa/s.
    noise : float
        Factor on `sd`.
    log_odds : float
        Of this fit beforehand.
    """
    if rate_pa_s <= 0 or vacuum_pa <= 0:
        return None
    rise = curve - curve[0]
    column = np.concatenate([[0.0], np.cumsum(0.5 * (rise[1:] + rise[:-1]) * np.diff(x))]) / sd / noise
    jacobian = one.jacobian / sd[:, None] / noise
    residual, weight = one.residual / noise, weights(one)
    inverse = covariance_of(jacobian, weight)
    seen = jacobian.T @ column
    pull = inverse @ seen
    information = max(float(column @ column - seen @ pull), 1e-12)
    # at its best point the fit's own derivatives are balanced by what was known beforehand
    score = float(column @ residual - pull @ (jacobian.T @ residual))
    if score**2 < SHOWS**2 * information:
        return None
    names = list(one.values)
    leak, tau = names.index("leak"), names.index("tau_ln")
    base = component_of(one, sd, noise, log_odds)
    scales = [(GROWS, GROWS_ODDS, True), (VARIES, VARIES_ODDS, False)]
    components = []
    for growth, odds, one_sided in scales:
        scale = growth * rate_pa_s / vacuum_pa
        variance = 1 / (information + 1 / scale**2)
        sigma, mean = math.sqrt(variance), variance * score
        log_tail, mean_in, variance_in = math.log(0.5), mean, variance
        if one_sided:
            log_tail, mean_in, variance_in = (
                float(each[0]) for each in positive_part(np.array([mean]), np.array([sigma]))
            )
        log = base.log_evidence + math.log(2 * odds) + math.log(sigma / scale) + 0.5 * (mean / sigma) ** 2 + log_tail
        components.append(
            Component(
                log,
                base.leak - float(pull[leak]) * mean_in,
                math.hypot(base.leak_sd, float(pull[leak]) * math.sqrt(variance_in)),
                "changing",
                base.tau_ln - float(pull[tau]) * mean_in,
                math.hypot(base.tau_ln_sd, float(pull[tau]) * math.sqrt(variance_in)),
            )
        )
    best = score / information
    moved = -pull * best
    left = residual - column * best - jacobian @ moved
    whole = np.column_stack([jacobian, column])
    good = goodness_of(left * noise, whole * noise, np.append(weight, 0.0), coarse=coarse)
    return ChangingLeak(tuple(components), good, best * vacuum_pa / rate_pa_s)
