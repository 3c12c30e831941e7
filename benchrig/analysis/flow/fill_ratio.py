"""A fill averaged over the critical ratios that it allows.

Of an opening whose critical ratio lies below the pressure ratio at which the fill begins only a part of the curve is
seen. The record then says sharply how high the ratio can be and hardly how low: the likeliest value lies at the edge of
what is possible, and no one standard uncertainty about it is right. So the ratio is held at each of some values, all
else is fitted, and each counts as much as the record gives it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from benchrig.analysis.flow.fill_concavity import bending_downwards
from benchrig.analysis.flow.fill_model import FillModel
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Fitted, fit

__all__ = ["over_ratios"]

RATIO = "critical_ratio"
SHARP = 0.006
"""A ratio known better than this needs no averaging: it shows from both sides."""
APART, WIDEST = 2.0, 0.08
"""Steps in the ratio, in standard uncertainties by the fit alone, and no wider than the second."""
WIDER = 1.3
"""Each step is so many times as wide as the one before: far off the record says less."""
UNLIKELY = 8.0
"""Steps end where chi-square has risen by so much."""
MOST = 9
"""Steps to either side."""
SETTLED = 0.3
"""A fit ends where chi-square would fall by no more than this: little beside what tells the ratios apart."""


def over_ratios(model: FillModel, data: Samples, sd: Samples, fitted: Fitted) -> list[tuple[float, Fitted]]:
    """Fits with the critical ratio held at values to both sides of a fit's, each with its logarithm of probability.

    Parameters
    ----------
    model : FillModel
    data, sd : ndarray, shape (n,)
        What was fitted, Pa.
    fitted : Fitted
        With all parameters free.

    Returns
    -------
    list of (float, Fitted)
        For `benchrig.analysis.statistics.model_averaging.averaged`; the fit alone where it knows the ratio well.
    """
    u = fitted.u(RATIO)
    if u < SHARP:
        return [bending_downwards(fitted)]
    known = next(q for q in fitted.parameters if q.name == RATIO)
    step = min(APART * u, WIDEST)
    middle = _held(model, data, sd, fitted, fitted, fitted.values[RATIO])
    fits = [middle]
    best = middle.cost
    for towards in (-1, 1):
        before, last, by = None, middle, step
        for _ in range(MOST):
            ratio = last.values[RATIO] + towards * by
            by = min(WIDER * by, WIDEST)
            if not known.low <= ratio <= known.high:
                break
            begin = fitted if before is None else last
            try:
                now = _held(model, data, sd, fitted, begin, ratio, before)
            except np.linalg.LinAlgError:
                break
            fits.append(now)
            best = min(best, now.cost)
            if now.cost > best + UNLIKELY * fitted.widening**2:
                break
            before, last = last, now
    if len(fits) == 1:
        return [bending_downwards(fitted)]
    fits.sort(key=lambda one: one.values[RATIO])
    counts = np.gradient([one.values[RATIO] for one in fits])
    wide = min(one.widening for one in fits)
    at = list(fitted.values).index(RATIO)
    found = []
    for one, count in zip(fits, counts.tolist(), strict=True):
        bends, kept = bending_downwards(one)
        found.append((bends + _spread(one.covariance, at) + math.log(count) - one.cost / wide**2 / 2, kept))
    return found


def _held(
    model: FillModel, data: Samples, sd: Samples, free: Fitted, near: Fitted, ratio: float, before: Fitted | None = None
) -> Fitted:
    """All but the ratio fitted, from where the fits so far point."""
    names = list(free.values)
    at = names.index(RATIO)
    start = np.array(list(near.values.values()))
    if before is None:
        start = start + near.covariance[:, at] / near.covariance[at, at] * (ratio - near.values[RATIO])
    else:
        there = np.array(list(before.values.values()))
        start = start + (start - there) * (ratio - near.values[RATIO]) / (near.values[RATIO] - before.values[RATIO])
    known = free.parameters[at]
    rest = [
        replace(q, start=min(max(float(x), q.low), q.high), late=False)
        for q, x in zip(free.parameters, start, strict=True)
        if q.name != RATIO
    ]

    def shown(q: Mapping[str, float], aside: bool) -> Samples:
        return model({**q, RATIO: ratio}, aside)

    def derivatives(q: Mapping[str, float]) -> Mapping[str, Samples]:
        return model.derivatives({**q, RATIO: ratio})

    found = fit(shown, data, sd, rest, settled_at=SETTLED, derivatives=derivatives, bends=False)
    covariance = np.insert(np.insert(found.covariance, at, 0.0, axis=0), at, 0.0, axis=1)
    return Fitted(
        {name: found.values.get(name, ratio) for name in names},
        covariance,
        np.insert(found.jacobian, at, 0.0, axis=1),
        found.residual,
        found.widening,
        found.cost + ((ratio - known.prior) / known.prior_u) ** 2,
        free.parameters,
    )


def _spread(covariance: Samples, but: int) -> float:
    """Half the logarithm of the determinant, all but one row and column."""
    rest = np.delete(np.delete(covariance, but, axis=0), but, axis=1)
    scale = np.sqrt(np.maximum(np.diag(rest), 1e-300))
    sign, size = np.linalg.slogdet(rest / np.outer(scale, scale))
    return float(np.sum(np.log(scale))) + (0.5 * float(size) if sign > 0 and math.isfinite(size) else 0.0)
