"""What is known of every opening's flow: it falls ever faster as the pressure behind it rises.

From choked flow to none the flow through a nozzle, an orifice or a valve bends one way only, downwards. A fit that is
free to depart from the ISO curve need not: what it cannot see of a low critical ratio it pays for by a flow that first
falls and then stays. So of what a fit allows, only that part counts whose flow bends downwards where the fill begins.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from benchrig.analysis.flow.fill_model import opening_of
from benchrig.analysis.statistics.cut_normal import cut_below
from benchrig.analysis.statistics.fitting import Fitted

__all__ = ["bending_downwards"]

PART = 0.1
"""The bend is looked at over twice this part of the vacuum at the start."""
FARTHEST = 30.0
"""A fit that lies this many standard uncertainties on the wrong side is not moved as if the problem were linear."""


def bending_downwards(fitted: Fitted) -> tuple[float, Fitted]:
    """Logarithm of the probability that a fit's flow bends downwards at the start; the fit, given that it does.

    Parameters
    ----------
    fitted : Fitted
        Parameters about which the flow is taken as linear.

    Returns
    -------
    (float, Fitted)
        Values and covariance are those of the normal distribution cut off where the flow bends upwards. Unchanged
        where the opening is not free to depart from its curve.
    """
    if "departure_0" not in fitted.values:
        return 0.0, fitted
    bend = _bend(fitted.values)
    names = list(fitted.values)
    slope = np.zeros(len(names))
    for i, name in enumerate(names):
        if name.startswith("departure") or name == "critical_ratio":
            slope[i] = (_bend({**fitted.values, name: fitted.values[name] + 1e-4}) - bend) / 1e-4
    moves = fitted.covariance @ slope
    variance = float(slope @ moves)
    if variance <= 0:
        return 0.0, fitted
    u = math.sqrt(variance)
    at = max(-bend / u, -FARTHEST)
    share, hazard = cut_below(at)
    if share > 0.999:
        return math.log(share), fitted
    mean = -hazard * u
    kept = max(1 - at * hazard - hazard * hazard, 0.0)
    values = np.array(list(fitted.values.values())) + moves * (mean / variance)
    covariance = fitted.covariance - np.outer(moves, moves) * ((1 - kept) / variance)
    moved = dict(zip(names, values.tolist(), strict=True))
    return math.log(share), replace(fitted, values=moved, covariance=covariance)


def _bend(q: Mapping[str, float]) -> float:
    """Second difference of the flow, as part of choked flow, at the start of the fill; negative: downwards."""
    opening = opening_of(q)
    vacuum = 1 - opening.start
    first, middle, last = (opening.shape(opening.start + i * PART * vacuum) for i in range(3))
    return first - 2 * middle + last
