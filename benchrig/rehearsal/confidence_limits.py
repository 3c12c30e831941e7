"""How sure a counted rate and an observed quantile are. Exact, without assuming a normal distribution."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import bdtr, betaincinv

__all__ = ["CONFIDENCE", "Quantile", "Rate", "quantile"]

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Rate:
    """So many of so many."""

    count: int
    of: int

    @property
    def rate(self) -> float | None:
        """The share; None when there were none to count."""
        return self.count / self.of if self.of else None

    @property
    def limits(self) -> tuple[float, float]:
        """Two-sided 95 % limits by Clopper and Pearson (exact binomial), through scipy's incomplete beta function.

        Examples
        --------
        None of 100: the upper limit solves (1 - p)^100 = 0.025, so p = 0.0362.

        >>> [round(limit, 4) for limit in Rate(0, 100).limits]
        [0.0, 0.0362]
        """
        tail = (1 - CONFIDENCE) / 2
        low = 0.0 if self.count == 0 else float(betaincinv(self.count, self.of - self.count + 1, tail))
        high = 1.0 if self.count >= self.of else float(betaincinv(self.count + 1, self.of - self.count, 1 - tail))
        return low, high


@dataclass(frozen=True)
class Quantile:
    """An observed quantile with its 95 % limits; a limit is None where there are too few values to tell."""

    value: float
    low: float | None
    high: float | None


def quantile(values: Sequence[float], share: float) -> Quantile | None:
    """Quantile of some values with the order statistics that bracket it; None of no values.

    Notes
    -----
    The number of values below the true quantile is binomial, so two of the sorted values are its limits whatever the
    distribution (any text on order statistics; from memory).

    Examples
    --------
    >>> quantile([float(each) for each in range(1, 101)], 0.5)
    Quantile(value=50.5, low=40.0, high=61.0)
    """
    if not values:
        return None
    ordered = sorted(values)
    n = len(ordered)
    place = share * (n - 1)
    under = math.floor(place)
    value = ordered[under] + (place - under) * (ordered[min(under + 1, n - 1)] - ordered[under])
    tail = (1 - CONFIDENCE) / 2
    low = high = None
    for rank in range(1, n + 1):  # rank r: P(at most r - 1 values lie below the true quantile)
        at_most = float(bdtr(rank - 1, n, share))
        if at_most <= tail:
            low = ordered[rank - 1]
        if high is None and at_most >= 1 - tail:
            high = ordered[rank - 1]
    return Quantile(value, low, high)
