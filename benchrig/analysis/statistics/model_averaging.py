"""Several models of the same data as one result: each with the probability that the data give it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchrig.analysis.statistics.fitting import Fitted

__all__ = ["averaged", "either", "share_of", "weighed"]


def weighed(plain: Fitted, freer: Fitted, odds: float = 1.0) -> Fitted:
    """Two fits of the same data as one: each with the probability that the data give to its model.

    Parameters
    ----------
    plain, freer : Fitted
        The second has all parameters of the first, in the same order, and more after them, which must have priors. A
        parameter that gains nothing pays for its freedom (Laplace's approximation of the evidence). The covariance
        includes how far the two disagree.
    odds : float
        How likely the freer model is beforehand, over the plain one.

    Returns
    -------
    Fitted
        The parameters of `plain`; residuals and Jacobian of the likelier one.
    """
    share = share_of(plain, freer, odds)
    k = len(plain.values)
    one = np.array(list(plain.values.values()))
    other = np.array(list(freer.values.values()))[:k]
    apart = other - one
    covariance = (1 - share) * plain.covariance + share * freer.covariance[:k, :k]
    covariance = covariance + share * (1 - share) * np.outer(apart, apart)
    likelier = freer if share > 0.5 else plain
    return Fitted(
        dict(zip(plain.values, (one + share * apart).tolist(), strict=True)),
        covariance,
        likelier.jacobian[:, :k],
        likelier.residual,
        likelier.widening,
        likelier.cost,
        plain.parameters,
    )


def share_of(plain: Fitted, freer: Fitted, odds: float = 1.0) -> float:
    """Probability of the freer of two models, see `weighed`."""
    spared = (plain.cost - freer.cost) / freer.widening**2 / 2 + float(np.log(odds))
    for q in freer.parameters[len(plain.parameters) :]:
        one_sided = 2.0 if np.isfinite(q.low) and q.low >= q.prior else 1.0
        spared += float(np.log(min(one_sided * freer.u(q.name) / q.prior_u, 1.0)))
    return 1 / (1 + float(np.exp(np.clip(-spared, -500, 500))))


def either(one: Fitted, other: Fitted, odds: float = 1.0) -> Fitted:
    """Two fits of the same data with the same parameters but other priors, as one.

    Parameters
    ----------
    one, other : Fitted
        With parameters of the same names in the same order.
    odds : float
        How likely the other is beforehand, over the one.

    Returns
    -------
    Fitted
        Mean and covariance over both, each with the probability that the data give it (Laplace's approximation of the
        evidence); the rest is that of the likelier one.
    """
    wide = min(one.widening, other.widening)

    def evidence(fitted: Fitted) -> float:
        scale = np.sqrt(np.maximum(np.diag(fitted.covariance), 1e-300))
        spread = float(np.sum(np.log(scale)))
        spread += 0.5 * float(np.linalg.slogdet(fitted.covariance / np.outer(scale, scale))[1])
        known = sum(float(np.log(q.prior_u)) for q in fitted.parameters if np.isfinite(q.prior_u))
        return spread - known - fitted.cost / wide**2 / 2

    lead = evidence(other) - evidence(one) + float(np.log(odds))
    share = 1 / (1 + float(np.exp(np.clip(-lead, -500, 500))))
    likelier = other if share > 0.5 else one
    here, there = np.array(list(one.values.values())), np.array(list(other.values.values()))
    apart = there - here
    covariance = (1 - share) * one.covariance + share * other.covariance + share * (1 - share) * np.outer(apart, apart)
    values = dict(zip(one.values, (here + share * apart).tolist(), strict=True))
    return replace(likelier, values=values, covariance=covariance)


def averaged(fits: Sequence[Fitted], log_evidence: Sequence[float]) -> Fitted:
    """Any number of fits of the same data with the same parameters as one, each by its evidence.

    Parameters
    ----------
    fits : sequence of Fitted
        With parameters of the same names in the same order; at least one.
    log_evidence : sequence of float
        Natural logarithm of how probable each is, up to a common constant.

    Returns
    -------
    Fitted
        Mean and covariance over all; the rest is that of the likeliest.
    """
    share = np.exp(np.array(log_evidence) - np.max(log_evidence))
    share /= share.sum()
    at = np.array([list(one.values.values()) for one in fits])
    mean = share @ at
    covariance = sum(
        w * (one.covariance + np.outer(x - mean, x - mean)) for w, one, x in zip(share, fits, at, strict=True)
    )
    likeliest = fits[int(np.argmax(share))]
    values = dict(zip(likeliest.values, mean.tolist(), strict=True))
    return replace(likeliest, values=values, covariance=np.asarray(covariance, dtype=np.float64))
