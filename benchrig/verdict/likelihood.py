"""Shapes of likelihood for the likely cause: small, smooth, and never quite zero."""

from __future__ import annotations

import math
from collections.abc import Callable

__all__ = ["Shape", "beta_binomial", "floored", "mix", "normal", "uniform"]

Shape = Callable[[float], float]
"""Density of a feature, per unit of that feature."""


def normal(mean: float, sd: float) -> Shape:
    """Bell curve.

    Examples
    --------
    >>> round(normal(0.0, 1.0)(0.0), 4)
    0.3989
    """
    scale = 1.0 / (sd * math.sqrt(2.0 * math.pi))
    return lambda x: scale * math.exp(-0.5 * ((x - mean) / sd) ** 2)


def uniform(low: float, high: float) -> Shape:
    """The same everywhere between low and high.

    Examples
    --------
    >>> uniform(0.0, 4.0)(1.0), uniform(0.0, 4.0)(5.0)
    (0.25, 0.0)
    """
    return lambda x: 1.0 / (high - low) if low <= x <= high else 0.0


def mix(*weighted: tuple[float, Shape]) -> Shape:
    """A weighted sum of shapes; the weights should sum to 1.

    Examples
    --------
    >>> mix((0.5, uniform(0.0, 1.0)), (0.5, uniform(1.0, 3.0)))(2.0)
    0.25
    """
    return lambda x: math.fsum(weight * shape(x) for weight, shape in weighted)


def floored(shape: Shape, share: float, low: float, high: float) -> Shape:
    """The shape with this share of its weight spread evenly, so that one odd reading never rules a cause out alone."""
    return mix((1.0 - share, shape), (share, uniform(low, high)))


def beta_binomial(successes: int, trials: int, a: float, b: float) -> float:
    """Probability of so many successes when the chance of one is itself spread as Beta(a, b).

    Examples
    --------
    With a = b = 1 every count is equally likely:

    >>> round(beta_binomial(3, 9, 1.0, 1.0), 3)
    0.1
    """

    def log_beta(x: float, y: float) -> float:
        return math.lgamma(x) + math.lgamma(y) - math.lgamma(x + y)

    log_choose = math.lgamma(trials + 1) - math.lgamma(successes + 1) - math.lgamma(trials - successes + 1)
    return math.exp(log_choose + log_beta(successes + a, trials - successes + b) - log_beta(a, b))
