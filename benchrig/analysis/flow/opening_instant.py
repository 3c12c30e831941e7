"""When a valve began to open, over all the ways in which it may have opened.

How slowly a valve opens shows only in the bend of the first milliseconds, and about as weakly for every time up to a
few of the least that shows: the most likely one says little. So each is tried, evenly and as an armature gathers speed,
and weighed by how well it fits once all else has been fitted to it.
"""

from __future__ import annotations

import math

import numpy as np

from benchrig.analysis.flow.fill_model import FillModel, timed
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Fitted
from benchrig.analysis.statistics.smoothing import distinct

__all__ = ["opening_instant"]

TRAVEL_STEP = 0.8
"""Apart by this part of the least travel that shows, times that a valve may take to open are tried."""
SHAPES = (0.0, 0.5, 1.0)
"""Part of the opening that grows with the square of time, as under an armature that gathers speed; the rest evenly."""


def opening_instant(
    model: FillModel, y: Samples, sd: Samples, fitted: Fitted, travel_s: float, travel_u_s: float
) -> tuple[float, float]:
    """Instant of opening and its standard uncertainty, s.

    Parameters
    ----------
    model : FillModel
    y, sd : ndarray, shape (n,)
        What was fitted, Pa.
    fitted : Fitted
        With `middle_s` and `travel_s2` among its parameters. About it all others are taken as linear.
    travel_s : float
        The least travel that shows, s.
    travel_u_s : float
        How long valves take to open, s.
    """
    names = list(fitted.values)
    at, beside = names.index("middle_s"), names.index("travel_s2")
    values = np.array(list(fitted.values.values()))
    jacobian = fitted.jacobian / sd[:, None]
    jacobian[:, beside] = 0.0
    weight = np.array([1 / q.prior_u**2 for q in fitted.parameters])
    weight[beside] = 1.0
    away = weight * np.array([q.prior - value for q, value in zip(fitted.parameters, values, strict=True)])
    away[beside] = 0.0
    normal = jacobian.T @ jacobian + np.diag(weight)
    size = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = size[:, None] * np.linalg.pinv(normal * np.outer(size, size), rcond=1e-13, hermitian=True) * size
    q = {name: value for name, value in timed(fitted.values).items() if name not in ("middle_s", "travel_s2")}
    middle_s = q["opened_s"] + (0.5 + q.get("gathers_speed", 0.0) / 6) * q["travel_s"]
    travels = distinct(np.maximum(q["travel_s"] + TRAVEL_STEP * travel_s * np.arange(-5, 6), 0.0))
    opened, costs = np.empty((len(SHAPES), len(travels))), np.empty((len(SHAPES), len(travels)))
    model(fitted.values)
    for i, shape in enumerate(SHAPES):
        for j, travel in enumerate(travels.tolist()):
            begun_s = middle_s - (0.5 + shape / 6) * travel
            there = {**q, "opened_s": begun_s, "travel_s": travel, "gathers_speed": shape}
            left = (y - model(there, True)) / sd
            right = jacobian.T @ left + away
            step = inverse @ right
            opened[i, j] = begun_s + step[at]
            costs[i, j] = (float(left @ left) - float(right @ step)) / fitted.widening**2 + (travel / travel_u_s) ** 4
    weights = np.exp(-(costs - costs.min()) / 2) * np.gradient(travels)
    weights /= weights.sum()
    mean = float(np.sum(weights * opened))
    alone_u = fitted.widening * math.sqrt(max(inverse[at, at], 0.0))
    return mean, math.sqrt(float(np.sum(weights * (opened - mean) ** 2)) + alone_u**2)
