"""What a rise of pressure can be, weighed: a leak alone, or with a rise beside it that saturates.

Each way to explain the record brings its evidence and the leak that it gives. Together they are a mixture of normal
distributions, from which come the value, and an uncertainty so large that two of it span 95 % on either side: where
two explanations remain, the interval spans both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.leak.goodness_of_fit import covariance_of, weights
from benchrig.analysis.leak.slow_rise import Component, log_evidence_of
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.cut_normal import cut_below
from benchrig.analysis.statistics.fitting import Fitted

__all__ = ["TAIL", "Explained", "component_of", "explained", "not_below"]

TAIL = 0.02275
"""Probability beyond two standard deviations on one side."""
NEGLIGIBLE = 1e-5
HARD = -3.0
"""A leak that comes out negative by so many standard deviations is no matter of chance."""


@dataclass(frozen=True)
class Explained:
    """The mixture.

    Attributes
    ----------
    leak, leak_u : float
        Mean, and the standard uncertainty that spans what remains possible.
    fit_u : float
        Standard uncertainty that the likeliest way alone would have.
    slow_probability : float
        Of a rise that saturates, however small.
    apart : float
        How far the leak with such a rise lies from that without one.
    tau_ln, tau_ln_u : float
        Logarithm of the recovery's time constant, mean and standard uncertainty.
    changing_probability, changing_apart : float
        Of a leak that changes with the vacuum; and how far it lies from a steady one.
    """

    leak: float
    leak_u: float
    fit_u: float
    slow_probability: float
    apart: float
    tau_ln: float
    tau_ln_u: float
    changing_probability: float = 0.0
    changing_apart: float = 0.0


def component_of(fitted: Fitted, sd: Samples, noise: float, log_odds: float, kind: str = "leak") -> Component:
    """A fit as one way to explain the record, with `noise` times the noise that the fit was told."""
    scaled = fitted.jacobian / sd[:, None] / noise
    covariance = covariance_of(scaled, weights(fitted))
    at, tau = (list(fitted.values).index(name) for name in ("leak", "tau_ln"))
    squares = float(fitted.residual @ fitted.residual)
    cost = squares / noise**2 + max(fitted.cost - squares, 0.0)
    log = log_evidence_of(cost, covariance, fitted.parameters) + log_odds
    sds = [math.sqrt(max(covariance[k, k], 0.0)) for k in (at, tau)]
    return Component(log, fitted.values["leak"], sds[0], kind, fitted.values["tau_ln"], sds[1])


def not_below(component: Component, least: float, unsure: float, *, cut: bool) -> Component:
    """A component in the light of the leak being no less than `least`, known to `unsure`.

    With `cut` its leak is that of the part that is possible; without, only its evidence changes.
    """
    sd = math.hypot(component.leak_sd, unsure)
    z = (component.leak - least) / max(sd, 1e-30)
    if z > 5:
        return component
    if z < HARD:  # then something else is wrong, and it is left to be seen
        return replace(component, log_evidence=component.log_evidence - 0.5 * HARD**2)
    possible, hazard = cut_below(z)
    log = math.log(possible)
    if not cut:
        return replace(component, log_evidence=component.log_evidence + log)
    share = component.leak_sd**2 / sd if sd > 0 else 0.0
    variance = component.leak_sd**2 - share**2 * hazard * (hazard + z)
    return replace(
        component,
        log_evidence=component.log_evidence + log,
        leak=component.leak + share * hazard,
        leak_sd=math.sqrt(max(variance, 1e-6 * component.leak_sd**2)),
    )


def explained(components: Sequence[Component]) -> Explained:
    """Average over all ways to explain the record."""
    logs = np.array([one.log_evidence for one in components])
    if not np.isfinite(logs).all():
        components = [one for one in components if math.isfinite(one.log_evidence)]
        if not components:
            raise np.linalg.LinAlgError("no way to explain the record")
        logs = np.array([one.log_evidence for one in components])
    share = np.exp(logs - np.max(logs))
    share /= share.sum()
    slow = np.array([one.kind == "slow" for one in components])
    leak = np.array([one.leak for one in components])
    sd = np.array([one.leak_sd for one in components])
    probability = float(share[slow].sum())
    changing = np.array([one.kind == "changing" for one in components])
    changing_probability = float(share[changing].sum())
    plain_leak, slow_leak = (
        float(share[kind] @ leak[kind] / share[kind].sum()) if share[kind].sum() > 0 else math.nan
        for kind in (~slow, slow)
    )
    steady = ~slow & ~changing
    changing_apart = 0.0
    if changing.any() and steady.any():
        likeliest = (leak[kind][np.argmax(logs[kind])] for kind in (changing, steady))
        changing_apart = float(next(likeliest) - next(likeliest))
    tau = np.array([one.tau_ln for one in components])
    tau_sd = np.array([one.tau_ln_sd for one in components])
    tau_mean, tau_u = _spanned(share, tau, tau_sd)
    mean, u = _spanned(share, leak, sd)
    fit_u = float(sd[np.argmax(share)])
    return Explained(
        mean, u, fit_u, probability, slow_leak - plain_leak, tau_mean, tau_u,
        changing_probability, changing_apart,
    )  # fmt: skip


def _spanned(share: Samples, mean: Samples, sd: Samples) -> tuple[float, float]:
    """Mean of a mixture of normal distributions, and the u of which two on either side hold 95 % of it."""
    matter = share > NEGLIGIBLE
    share, mean, sd = share[matter] / share[matter].sum(), mean[matter], sd[matter]
    middle = float(share @ mean)
    spread = math.sqrt(float(share @ (sd**2 + (mean - middle) ** 2)))
    if len(share) == 1:
        return middle, spread

    def below(value: float) -> float:
        z = (value - mean) / np.maximum(sd, 1e-30) / math.sqrt(2)
        return math.fsum(w * 0.5 * math.erfc(-one) for w, one in zip(share.tolist(), z.tolist(), strict=True))

    def quantile(part: float) -> float:
        low, high = float(np.min(mean - 6 * sd)), float(np.max(mean + 6 * sd))
        for _ in range(40):
            half = 0.5 * (low + high)
            low, high = (half, high) if below(half) < part else (low, half)
            if high - low < 1e-3 * spread:
                break
        return 0.5 * (low + high)

    return middle, max(quantile(1 - TAIL) - middle, middle - quantile(TAIL)) / 2
