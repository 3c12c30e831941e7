"""A normal distribution of which only one side is possible."""

from __future__ import annotations

import math

__all__ = ["cut_below"]


def cut_below(z: float) -> tuple[float, float]:
    """Share of a normal distribution above a point, and the hazard there.

    The mean of what is left lies hazard standard deviations above the whole's, and its variance is
    1 - hazard (hazard + z) of the whole's (moments of the truncated normal distribution, from memory).

    Parameters
    ----------
    z : float
        By how many standard deviations the mean lies above the point.

    Examples
    --------
    >>> [round(each, 4) for each in cut_below(0.0)]
    [0.5, 0.7979]
    """
    share = 0.5 * math.erfc(-z / math.sqrt(2))
    return share, math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) / share
