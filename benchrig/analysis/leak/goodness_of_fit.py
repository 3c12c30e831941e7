"""Does a fitted curve describe the record, or does something else show in it? A test with a stated false-alarm rate.

Residuals in units of the noise are taken apart into cosines (a discrete cosine transform over the block means). Noise
fills all of them alike, slow noise of the transducer (1/f) the slow ones more, and what a wrong model leaves over
fills the slowest ones only. The fast cosines therefore say how much noise there is, and the slowest ones, allowing
for what the fit took out of them, whether there is more than noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Fitted

__all__ = [
    "FALSE_ALARM",
    "NO_FIT",
    "Goodness",
    "covariance_of",
    "goodness_of",
    "goodness_of_fit",
    "resolution_pa",
    "weights",
]

FALSE_ALARM = 3e-3
"""A record that keeps to the model is questioned so seldom (verified by Monte Carlo: tests/analysis)."""
NO_FIT = 1e-4
"""Where noise leaves as much so seldom, the model does not describe the record. Between this and `FALSE_ALARM` chance
and a small departure are both possible: what a wandering of the size that shows would do to the value is added."""
SLOW, MIDDLE = 12, 40
"""The slowest cosines, which are tested; those up to the middle, which tell slow noise from white noise."""
SLOW_NOISE_FROM = 1.75
"""The middle cosines hold more than the fast ones by this factor: slow noise (1 in 200 records of white noise)."""
LEAST_SPARE = 0.15
"""A combination of cosines of which the fit leaves less than this says nothing."""


@dataclass(frozen=True)
class Goodness:
    """What the residuals say.

    Attributes
    ----------
    p : float
        Probability that noise alone leaves as much in the slowest cosines.
    white : float
        Variance of the fast cosines, in units of the noise that was expected.
    slow : float
        Variance that slow noise adds to the slowest cosine but one, in the same unit; cosine k holds `slow` / k.
    wandering : tuple of float
        By how much each parameter is off, standard deviation, if what is left beyond noise is a random walk (`slow` /
        k^2 in cosine k), as temperatures and transducers wander.
    """

    p: float
    white: float
    slow: float
    wandering: tuple[float, ...] = ()

    @property
    def widening(self) -> float:
        """Factor on uncertainties for noise beyond what was expected, slow noise included, never below one."""
        return math.sqrt(max(self.white, 1.0) + self.slow / 2)


@lru_cache(maxsize=8)
def _cosines(n: int) -> Samples:
    k, i = np.arange(n)[:, None], np.arange(n)[None, :]
    table = np.sqrt(2 / n) * np.cos(np.pi * k * (i + 0.5) / n)
    table[0] /= np.sqrt(2)
    return np.asarray(table, dtype=np.float64)


def goodness_of(residual: Samples, jacobian: Samples, weight: Samples, *, coarse: bool = False) -> Goodness:
    """Test the residuals of a fit.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        Data less fit over the standard deviation of each datum.
    jacobian : ndarray, shape (n, k)
        Derivatives of the fitted data over the same standard deviations.
    weight : ndarray, shape (k,)
        Inverse variance of what was known of each parameter beforehand; zero for nothing.
    coarse : bool
        The standard deviations hold the converter's steps: do not expect less noise even if there is.

    Notes
    -----
    With priors or without, the residuals of a linear fit have the covariance I - J (J'J + W)^-1 J'. The probability is
    that of F, by Paulson's approximation (from memory: handbooks of mathematical functions give it).
    """
    n = len(residual)
    slowest: int = min(SLOW, n // 4)
    table = _cosines(n)
    parts = table @ residual
    middle = parts[slowest : min(MIDDLE, n // 2)] ** 2
    fast = parts[min(MIDDLE, n // 2) :] ** 2
    white = float(np.mean(fast))
    slow = 0.0
    if len(middle) >= 10 and float(np.mean(middle)) > SLOW_NOISE_FROM * white:
        order = np.arange(1, n)
        by_middle = float(np.mean(1 / order[slowest - 1 : min(MIDDLE, n // 2) - 1]))
        by_fast = float(np.mean(1 / order[min(MIDDLE, n // 2) - 1 :]))
        slow = (float(np.mean(middle)) - white) / (by_middle - by_fast)
        white = max(white - slow * by_fast, 0.1 * white)
    if coarse:
        white = max(white, 1.0)
    expected = np.sqrt(max(white, 1e-12) + slow / np.maximum(np.arange(float(slowest)), 1.0))
    size = np.sqrt(np.maximum(np.einsum("ij,ij->j", jacobian, jacobian) + weight, 1e-300))
    scaled = jacobian / size
    known: Samples = np.linalg.pinv(scaled.T @ scaled + np.diag(weight / size**2), rcond=1e-12, hermitian=True)
    seen = table[:slowest] @ scaled
    left = np.eye(slowest) - seen @ known @ seen.T
    spare, turn = np.linalg.eigh(left)
    # in units of what is expected of each cosine; the fit's part is taken as if the noise were white
    free = spare > LEAST_SPARE
    turned = turn.T @ (parts[:slowest] / expected)
    chi2, k = float(np.sum(turned[free] ** 2 / np.minimum(spare[free], 1.0))), int(np.count_nonzero(free))
    if not k:
        return Goodness(1.0, white, slow, (0.0,) * len(weight))
    walk = 1 / np.maximum(np.arange(float(slowest)), 1.0)
    # what a walk of unit size leaves of itself in the combinations that are tested
    shows = float(np.sum(spare[free] * ((walk / expected) ** 2 @ turn[:, free] ** 2)))
    walked = math.sqrt(max(chi2 - k, 0.0) / max(shows, 1e-300))
    moves = np.linalg.norm(known @ seen.T * walk, axis=1) / size
    return Goodness(_f_tail(chi2 / k, k, max(len(fast), 1)), white, slow, tuple((walked * moves).tolist()))


def _f_tail(ratio: float, upper: int, lower: int) -> float:
    a, b = 2 / (9 * upper), 2 / (9 * lower)
    third = max(ratio, 0.0) ** (1 / 3)
    z = ((1 - b) * third - (1 - a)) / math.sqrt(a + b * third * third)
    return 0.5 * math.erfc(z / math.sqrt(2))


def weights(fitted: Fitted) -> Samples:
    """Inverse variances of what was known beforehand of a fit's parameters, shape (k,)."""
    return np.array([1 / q.prior_u**2 for q in fitted.parameters])


def covariance_of(jacobian: Samples, weight: Samples) -> Samples:
    """Covariance of a fit's parameters, shape (k, k); nothing finite in gives nothing finite out.

    Parameters
    ----------
    jacobian : ndarray, shape (n, k)
        Over the standard deviations of the data.
    weight : ndarray, shape (k,)
        Inverse variances of what was known beforehand.
    """
    normal = jacobian.T @ jacobian + np.diag(weight)
    size = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal * np.outer(size, size), rcond=1e-13, hermitian=True) * np.outer(size, size)
    return np.asarray(inverse, dtype=np.float64)


def goodness_of_fit(fitted: Fitted, sd: Samples, *, coarse: bool = False) -> Goodness:
    """Test a fit of data with standard deviations `sd`, shape (n,); parameters at their ends count as held there."""
    loose = np.array(
        [
            q.low + 0.01 * min(q.prior_u, 1.0) < fitted.values[q.name] < q.high - 0.01 * min(q.prior_u, 1.0)
            for q in fitted.parameters
        ]
    )
    jacobian = fitted.jacobian / sd[:, None]
    good = goodness_of(fitted.residual, jacobian[:, loose], weights(fitted)[loose], coarse=coarse)
    wandering = np.zeros(len(loose))
    wandering[loose] = good.wandering
    return replace(good, wandering=tuple(wandering.tolist()))


def resolution_pa(values: Samples, noise_pa: float) -> tuple[float, float]:
    """Step of the converter, and the standard deviation that its steps leave in a mean over many samples.

    Noise of half a step and more lets a mean see between the steps; with less of it the mean of a slow rise still
    follows a staircase. For noise s and step q the first harmonic of that staircase is q/pi exp(-2 (pi s/q)^2).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> ramp = np.linspace(0, 1e3, 2000)
    >>> step, left = resolution_pa(np.round((ramp + 12 * rng.standard_normal(2000)) / 1.9) * 1.9, 12.0)
    >>> round(step, 1), left < 1e-3
    (1.9, True)
    >>> step, left = resolution_pa(np.round(ramp / 120) * 120, 30.0)
    >>> round(step), round(left)
    (120, 35)
    """
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-9 * max(float(np.max(np.abs(values))), 1.0)]
    if not len(steps):
        return 0.0, 0.0
    step = float(steps.min())
    if noise_pa > 0.45 * step:
        return step, step / math.pi / math.sqrt(2) * math.exp(-2 * (math.pi * noise_pa / step) ** 2)
    return step, step / math.sqrt(12)
