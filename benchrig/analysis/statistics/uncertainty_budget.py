"""Uncertainty budgets by the law of propagation: JCGM 100:2008 (the GUM), equations 10, 13 and 16, and annex G.4.

The derivatives come from the `uncertainties` library, so a model is written once, as plain arithmetic. That library is
imported when the first budget is made, not before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Budget", "Quantity", "arcsine", "combine", "rectangular", "resolution", "scatter", "triangular"]

CORRELATIONS = "correlations"
"""Label of the part of a budget that comes from correlated inputs; negative where they lower the uncertainty."""


@dataclass(frozen=True)
class Quantity:
    """An input of a budget.

    Attributes
    ----------
    name : str
        As the budget lists it.
    value : float
        Best estimate, in the unit that the model expects.
    u : float
        Standard uncertainty in the same unit, not negative.
    dof : float
        Degrees of freedom of `u`; infinite for a u that is known outright.
    """

    name: str
    value: float
    u: float
    dof: float = math.inf


@dataclass(frozen=True)
class Budget:
    """What came out.

    Attributes
    ----------
    value, u : float
        Output estimate and its combined standard uncertainty, in the model's unit.
    parts : tuple of (str, float)
        Contribution ``|c| u(x)`` of each input, in the output's unit, largest first. Inputs that contribute nothing are
        left out. With correlated inputs a part named ``correlations`` makes up the difference, negative where they
        lower u: the squares of the parts, with their signs, sum to u squared.
    sensitivities : tuple of float
        Partial derivatives, in the order of the inputs.
    dof : float
        Effective degrees of freedom by Welch and Satterthwaite; not a number with correlated inputs, for which the
        formula does not hold.
    """

    value: float
    u: float
    parts: tuple[tuple[str, float], ...]
    sensitivities: tuple[float, ...]
    dof: float

    def expanded(self, coverage: float = 0.95) -> float:
        """Half-width of the interval with this coverage, by Student's t with `dof` degrees of freedom.

        Raises
        ------
        ValueError
            The coverage is not between 0 and 1, or `dof` is unknown because inputs are correlated.

        Examples
        --------
        >>> budget = combine(lambda x: x, [Quantity("x", 5.0, 0.1, dof=4)])
        >>> round(budget.expanded(0.9545), 3)
        0.287
        """
        if not 0.0 < coverage < 1.0:
            raise ValueError(f"coverage {coverage!r} is not between 0 and 1")
        if math.isnan(self.dof):
            raise ValueError("no effective degrees of freedom with correlated inputs: use a coverage factor")
        return coverage_factor(coverage, self.dof) * self.u


_TWO_SIGMA = (
    13.9678, 4.5266, 3.3068, 2.8693, 2.6487, 2.5165, 2.4288, 2.3664, 2.3198, 2.2837,
    2.2549, 2.2314, 2.2118, 2.1953, 2.1812, 2.1689, 2.1583, 2.1489, 2.1405, 2.1330,
)  # fmt: skip
"""JCGM 100, Table G.2: 95.45 %, 1 to 20 degrees of freedom; saves every run the import of scipy.special, 0.15 s."""


def coverage_factor(coverage: float, dof: float) -> float:
    """Student's t for a two-sided interval; dof is truncated to a whole number as JCGM 100 G.4.1 allows.

    Examples
    --------
    >>> round(coverage_factor(0.9545, 10), 2), round(coverage_factor(0.95, math.inf), 3)
    (2.28, 1.96)
    """
    if coverage == 0.9545 and 1.0 <= dof < len(_TWO_SIGMA) + 1:
        return _TWO_SIGMA[math.floor(dof) - 1]
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + coverage)
    return float(ndtri(upper)) if math.isinf(dof) else float(stdtrit(max(1.0, math.floor(dof)), upper))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value that lies anywhere within plus or minus half_width (JCGM 100, 4.3.7).

    Examples
    --------
    >>> round(rectangular(1.0), 5), round(triangular(1.0), 5), round(arcsine(1.0), 5), round(resolution(1.0), 5)
    (0.57735, 0.40825, 0.70711, 0.28868)
    """
    return half_width / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """Standard uncertainty where values near the middle are likelier, zero at plus or minus half_width (4.3.9)."""
    return half_width / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """Standard uncertainty of a value that swings sinusoidally within plus or minus half_width (JCGM 100, H.1.3.4)."""
    return half_width / math.sqrt(2.0)


def resolution(step: float) -> float:
    """Standard uncertainty of a reading rounded to whole steps (JCGM 100, F.2.2.1)."""
    return step / math.sqrt(12.0)


def scatter(readings: Sequence[float]) -> tuple[float, float, float]:
    """Mean, standard uncertainty of the mean and its degrees of freedom (JCGM 100, 4.2).

    Parameters
    ----------
    readings : sequence of float, length n
        Independent readings of the same thing, finite.

    Returns
    -------
    tuple of float
        Mean, ``s / sqrt(n)``, ``n - 1``. A single reading says nothing of its scatter: u is 0 and dof infinite, and the
        instrument's specification must carry it.

    Raises
    ------
    ValueError
        No readings.

    Examples
    --------
    >>> mean, u, dof = scatter([5.007, 4.994, 5.005, 4.990, 4.999])
    >>> round(mean, 4), round(u, 4), dof
    (4.999, 0.0032, 4.0)
    """
    n = len(readings)
    if n == 0:
        raise ValueError("no readings")
    mean = math.fsum(readings) / n
    if n == 1:
        return mean, 0.0, math.inf
    s = math.sqrt(math.fsum((x - mean) ** 2 for x in readings) / (n - 1))
    return mean, s / math.sqrt(n), float(n - 1)


def combine(
    model: Callable[..., Any],
    inputs: Sequence[Quantity],
    correlation: Mapping[tuple[str, str], float] | None = None,
) -> Budget:
    """Propagate the uncertainties of the inputs through a model, to first order.

    Parameters
    ----------
    model : callable
        Takes the inputs in order, by position; plain arithmetic, and functions of ``uncertainties.umath``.
    inputs : sequence of Quantity, length n
        With different names.
    correlation : mapping of (str, str) to float, optional
        Correlation coefficients of pairs of inputs, in either order; pairs left out are independent.

    Raises
    ------
    ValueError
        A negative or non-finite uncertainty, two inputs of one name, a correlation of an unknown input or outside
        -1 to 1, or coefficients that contradict each other.

    Examples
    --------
    >>> combine(lambda v, i: v / i, [Quantity("V", 12.0, 0.06), Quantity("I", 0.5, 0.001)]).parts
    (('V', 0.12), ('I', 0.048))
    """
    from uncertainties import ufloat

    _check(inputs)
    # Only the derivatives are taken from the library, so every variable carries one unit of uncertainty.
    variables = [ufloat(each.value, 1.0) for each in inputs]
    output = model(*variables)
    derivatives = getattr(output, "derivatives", {})
    sensitivities = tuple(float(derivatives.get(variable, 0.0)) for variable in variables)
    value = float(getattr(output, "nominal_value", output))
    shares = [c * each.u for c, each in zip(sensitivities, inputs, strict=True)]
    alone = math.fsum(share**2 for share in shares)
    crossed = _crossed(inputs, shares, correlation or {})
    variance = alone + crossed
    if variance < 0.0:
        if variance < -1e-9 * alone:
            raise ValueError("the correlation coefficients contradict each other: the variance came out negative")
        variance = 0.0
    parts = [(each.name, abs(share)) for each, share in zip(inputs, shares, strict=True) if share]
    if crossed:
        parts.append((CORRELATIONS, math.copysign(math.sqrt(abs(crossed)), crossed)))
    parts.sort(key=lambda part: -abs(part[1]))
    u = math.sqrt(variance)
    dof = math.nan if correlation else _effective_dof(u, shares, inputs)
    return Budget(value, u, tuple(parts), sensitivities, dof)


def _check(inputs: Sequence[Quantity]) -> None:
    names = [each.name for each in inputs]
    if len(set(names)) != len(names):
        raise ValueError(f"two inputs of one name in {names}")
    for each in inputs:
        if not (math.isfinite(each.value) and math.isfinite(each.u) and each.u >= 0.0 and each.dof > 0.0):
            raise ValueError(f"input {each.name!r}: value {each.value!r}, u {each.u!r}, dof {each.dof!r}")


def _crossed(
    inputs: Sequence[Quantity], shares: Sequence[float], correlation: Mapping[tuple[str, str], float]
) -> float:
    place = {each.name: number for number, each in enumerate(inputs)}
    total = 0.0
    for (one, other), r in correlation.items():
        if one not in place or other not in place or one == other or not -1.0 <= r <= 1.0:
            raise ValueError(f"correlation {r!r} of {one!r} and {other!r}: unknown input, or not between -1 and 1")
        total += 2.0 * r * shares[place[one]] * shares[place[other]]
    return total


def _effective_dof(u: float, shares: Sequence[float], inputs: Sequence[Quantity]) -> float:
    pairs = zip(shares, inputs, strict=True)
    below = math.fsum(share**4 / each.dof for share, each in pairs if math.isfinite(each.dof))
    return u**4 / below if below > 0.0 else math.inf
