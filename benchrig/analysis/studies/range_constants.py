"""Constants of ranges of normal samples: d2, d3 and the chart constants made from them.

Computed from the normal distribution, so that no table has to be typed in and any sample size is served.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy.special import ndtr

__all__ = ["d2", "d2_star", "d3", "upper_range_factor"]

MOST = 200
"""Largest sample size."""
_REACH = 9.0
"""Beyond so many standard deviations nothing is left that would count."""
_POINTS = 401


@cache
def d2(n: int) -> float:
    """Mean range of `n` values from a normal distribution of standard deviation 1.

    Parameters
    ----------
    n : int
        Sample size, 2 to 200.

    Returns
    -------
    float
        Integral of 1 - F^n - (1 - F)^n over the real line (Tippett, 1925; from memory).

    Raises
    ------
    ValueError
        A sample size out of range.

    Examples
    --------
    >>> round(d2(2), 6), round(d2(3), 6), round(d2(10), 6)
    (1.128379, 1.692569, 3.077505)
    """
    _check(n)
    x = np.linspace(-_REACH, _REACH, 24 * _POINTS)
    below = ndtr(x)
    return float(np.trapezoid(1.0 - below**n - (1.0 - below) ** n, x))


@cache
def d3(n: int) -> float:
    """Standard deviation of the range of `n` values from a normal distribution of standard deviation 1.

    Parameters
    ----------
    n : int
        Sample size, 2 to 200.

    Examples
    --------
    >>> round(d3(2), 4), round(d3(3), 4)
    (0.8525, 0.8884)
    """
    _check(n)
    # Two step widths, and their error, which goes with the square of the step, taken out (Richardson).
    square = (4.0 * _mean_square(n, 2 * _POINTS - 1) - _mean_square(n, _POINTS)) / 3.0
    return math.sqrt(square - d2(n) ** 2)


def _mean_square(n: int, points: int) -> float:
    """E[W^2] = 2 * double integral over x < y of 1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n."""
    x, step = np.linspace(-_REACH, _REACH, points, retstep=True)
    below = ndtr(x)
    low, high = below[:, None], below[None, :]
    inside = 1.0 - high**n - (1.0 - low) ** n + np.clip(high - low, 0.0, None) ** n
    # Half of the diagonal belongs to the triangle; the integrand falls to nothing at the far corners.
    return 2.0 * float(np.triu(inside, 1).sum() + 0.5 * np.trace(inside)) * float(step) ** 2


def d2_star(n: int) -> float:
    """Root of the mean square range of one sample of `n`: turns a single range into a standard deviation.

    Parameters
    ----------
    n : int
        Sample size, 2 to 200.

    Returns
    -------
    float
        sqrt(d2^2 + d3^2), the d2* of one subgroup (Duncan, 1974; from memory). Its inverse is K2 or K3 of the
        average-and-range route.

    Examples
    --------
    >>> round(1 / d2_star(3), 4), round(1 / d2_star(10), 4)
    (0.5231, 0.3146)
    """
    return math.hypot(d2(n), d3(n))


def upper_range_factor(n: int) -> float:
    """Upper limit of a range chart over the mean range: 1 + 3 d3 / d2, the charts' D4.

    Parameters
    ----------
    n : int
        Sample size, 2 to 200.

    Examples
    --------
    >>> round(upper_range_factor(2), 3), round(upper_range_factor(3), 2)
    (3.267, 2.57)
    """
    return 1.0 + 3.0 * d3(n) / d2(n)


def _check(n: int) -> None:
    if not 2 <= n <= MOST:
        raise ValueError(f"ranges are known for samples of 2 to {MOST}, not of {n}")
