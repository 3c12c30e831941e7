"""Statistical tolerance intervals: limits that hold a stated part of a population, from a sample of it.

Normal factors are exact: one-sided by the noncentral t distribution, two-sided by the integral over the sample's mean
(ISO 16269-6:2014, annex). Distribution-free limits are the least and the greatest of the sample (Wilks 1941, from
memory).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal

import numpy as np

__all__ = ["Sides", "content_of_extremes", "least_sample", "one_sided_factor", "two_sided_factor"]

Sides = Literal["both", "low", "high"]


def one_sided_factor(n: int, content: float, confidence: float) -> float:
    """Factor k: mean + k s lies above a part `content` of a normal population with probability `confidence`.

    Parameters
    ----------
    n : int
        Size of the sample, at least 2.
    content, confidence : float
        Both within 0 and 1.

    Examples
    --------
    >>> round(one_sided_factor(30, 0.95, 0.95), 4), round(one_sided_factor(10, 0.99, 0.95), 4)
    (2.2198, 3.9811)
    """
    _check(n, content, confidence)
    from scipy import stats  # takes 0.1 s to import

    away = stats.norm.ppf(content) * math.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, away) / math.sqrt(n))


@lru_cache(maxsize=64)
def two_sided_factor(n: int, content: float, confidence: float) -> float:
    """Factor k: mean - k s to mean + k s holds a part `content` of a normal population with this `confidence`.

    With the sample's mean off by z / sqrt(n) standard deviations, the half width must be r(z), where
    Phi(z / sqrt(n) + r) - Phi(z / sqrt(n) - r) = content; k s is that wide if chi-square(n - 1) is at least
    (n - 1) r^2 / k^2. The probability of that, averaged over z, is the confidence.

    Examples
    --------
    >>> round(two_sided_factor(10, 0.95, 0.95), 3), round(two_sided_factor(30, 0.99, 0.95), 3)
    (3.393, 3.355)
    """
    _check(n, content, confidence)
    from scipy import optimize, stats

    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    weights = weights / weights.sum()
    half = np.array([_half_width(abs(float(z)) / math.sqrt(n), content) for z in nodes])

    def too_sure(k: float) -> float:
        return float(weights @ stats.chi2.sf((n - 1) * (half / k) ** 2, n - 1)) - confidence

    return float(optimize.brentq(too_sure, 1e-3, 1e6, xtol=1e-10))


def _half_width(off: float, content: float) -> float:
    """Half of an interval whose middle lies so far from a standard normal distribution's, and which holds so much."""
    from scipy import optimize, stats

    def missing(r: float) -> float:
        return float(stats.norm.cdf(off + r) - stats.norm.cdf(off - r)) - content

    return float(optimize.brentq(missing, 0.0, off + float(stats.norm.ppf((1 + content) / 2)) + 1.0))


def least_sample(content: float, confidence: float, sides: Sides) -> int:
    """How many of any population it takes until the sample's extremes hold a part `content` of it.

    Examples
    --------
    >>> least_sample(0.95, 0.95, "high"), least_sample(0.95, 0.95, "both")
    (59, 93)
    """
    _check(2, content, confidence)
    n = math.ceil(math.log1p(-confidence) / math.log(content))
    if sides != "both":
        return n
    while 1 - n * content ** (n - 1) + (n - 1) * content**n < confidence:
        n += 1
    return n


def content_of_extremes(n: int, confidence: float, sides: Sides) -> float:
    """What part of any population the extremes of a sample of n hold, with a probability `confidence`.

    Examples
    --------
    >>> round(content_of_extremes(59, 0.95, "high"), 4), round(content_of_extremes(93, 0.95, "both"), 4)
    (0.9505, 0.95)
    """
    _check(n, 0.5, confidence)
    if sides != "both":
        return float((1 - confidence) ** (1 / n))
    from scipy import optimize

    return float(optimize.brentq(lambda p: 1 - n * p ** (n - 1) + (n - 1) * p**n - confidence, 0.0, 1.0))


def _check(n: int, content: float, confidence: float) -> None:
    if n < 2 or not 0 < content < 1 or not 0 < confidence < 1:
        raise ValueError(
            f"a sample of {n}, content {content:g} and confidence {confidence:g} make no tolerance interval"
        )
