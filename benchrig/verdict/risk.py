"""Global risks of a decision rule over all the parts that come in: JCGM 106:2012, clause 9 (from memory).

The consumer's risk is the chance that a part taken at random is accepted although it does not conform; the producer's,
that it is rejected although it does. Both need to be told how the parts are spread before any of them is measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.verdict.conformity import normal_cdf

__all__ = ["Risks", "global_risks"]

STEPS = 4001
REACH = 8.0
"""The spread of the parts is followed to this many of its standard deviations."""


@dataclass(frozen=True)
class Risks:
    """Probabilities between 0 and 1, over all parts.

    `nonconforming` is the share of parts outside the tolerance before anyone measures.
    """

    consumer: float
    producer: float
    nonconforming: float


def global_risks(
    mean: float,
    spread: float,
    u: float,
    *,
    low: float | None,
    high: float | None,
    width: float = 0.0,
) -> Risks:
    """Consumer's and producer's risk for normally spread parts and a normal measurement.

    Parameters
    ----------
    mean, spread : float
        Of the parts' true values; `spread` is the standard deviation, positive.
    u : float
        Standard uncertainty of the measurement, positive.
    low, high : float or None
        Tolerance limits.
    width : float
        Guard band on each side; negative widens the acceptance zone.

    Raises
    ------
    ValueError
        A spread or an uncertainty that is not positive, or no limit at all.

    Notes
    -----
    Trapezoidal integration over the true value, with a point on every limit: the integrand jumps there.

    Examples
    --------
    Precision resistors, JCGM 106 clause 9 (consumer's risk 1 %, producer's 7 %):

    >>> risks = global_risks(1500.0, 0.12, 0.04, low=1499.8, high=1500.2, width=0.02)
    >>> round(risks.consumer, 4), round(risks.producer, 4), round(risks.nonconforming, 4)
    (0.0099, 0.069, 0.0956)
    """
    if not (spread > 0.0 and u > 0.0):
        raise ValueError(f"spread {spread!r} and u {u!r} must be positive")
    if low is None and high is None:
        raise ValueError("no limit: nothing can be accepted wrongly")
    first, last = mean - REACH * spread, mean + REACH * spread
    low_end = first if low is None else min(max(low, first), last)
    high_end = last if high is None else min(max(high, first), last)

    def accepted(true: float) -> float:
        above = 0.0 if high is None else normal_cdf((true - (high - width)) / u)
        below = 0.0 if low is None else normal_cdf(((low + width) - true) / u)
        return max(0.0, 1.0 - above - below)

    def share(start: float, end: float, accept: bool) -> float:
        if end <= start:
            return 0.0
        true = np.linspace(start, end, STEPS)
        density = np.exp(-0.5 * ((true - mean) / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))
        taken = np.array([accepted(float(each)) for each in true])
        return float(np.trapezoid(density * (taken if accept else 1.0 - taken), true))

    outside = 0.0 if low is None else normal_cdf((low - mean) / spread)
    outside += 0.0 if high is None else normal_cdf((mean - high) / spread)
    consumer = share(first, low_end, True) + share(high_end, last, True)
    return Risks(consumer, share(low_end, high_end, False), outside)
