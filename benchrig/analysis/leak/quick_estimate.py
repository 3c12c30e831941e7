"""A first estimate of a leak within a millisecond, to see whether a look by the whole analysis is worth its time.

A straight line beside one exponential recovery, with what is known of the bench beforehand. It knows of no other
explanation of the rise, nor of what bends a leak, so that its uncertainty is the least that any analysis of the same
record can have: what it cannot settle, nobody can. No result rests on it.
"""

from __future__ import annotations

import math

import numpy as np

from benchrig.analysis.leak.leak_model import LeakSetting, cold_u
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import block_means, noise_sd

__all__ = ["quick_estimate"]

BLOCKS = 60
SETTLED_S = 0.05
MOST_RISE = 0.1
"""A leak that has taken this part of the vacuum is no straight line any more."""
ROUNDS, LEAST_STEP = 8, 1e-3
LEAST_NOISE_PA = 0.3


def quick_estimate(time_s: Samples, pressure_pa: Samples, setting: LeakSetting) -> tuple[float, float] | None:
    """Leak and the least standard uncertainty it can have, sccm; None where a straight line will not do.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        Time since the reservoir was shut off, s, and absolute pressure, Pa.
    setting : LeakSetting
        What is known of bench and recovery.

    Examples
    --------
    >>> t = np.arange(0.0, 8.0, 0.005)
    >>> p = 41000 - 1950 * np.exp(-t / 2.3) + 3.65 * 2.0 * t
    >>> p = p + 12 * np.random.default_rng(1).standard_normal(len(t))
    >>> known = LeakSetting(5e-4, 0.0, 101325.0, 295.0, 0.3, 0.0, 0.0, 0.0, 0.0, 2.3, 0.2, 0.003)
    >>> leak, u = quick_estimate(t, p, known)
    >>> abs(leak - 2.0) < 2 * u < 1.0
    True
    """
    end_s = float(time_s[-1])
    if end_s < 4 * SETTLED_S:
        return None
    x, y, n = block_means(time_s, pressure_pa, np.linspace(SETTLED_S, end_s + 1e-9, BLOCKS + 1))
    started_pa = float(y[0])
    if y[-1] - started_pa > MOST_RISE * (setting.ambient_pa - started_pa) or len(x) < BLOCKS // 2:
        return None
    sd = max(noise_sd(pressure_pa), LEAST_NOISE_PA) / np.sqrt(n)
    cold, cold_sd = 0.0, cold_u(started_pa / setting.ambient_pa)
    if setting.chill_u is not None:
        cold, cold_sd = setting.chill, setting.chill_u
    known_ln = math.log(setting.tau_s)
    at = np.array([started_pa / (1 - cold), 0.0, started_pa * cold / (1 - cold), known_ln])
    covariance = np.zeros((4, 4))
    for _ in range(ROUNDS):
        # by how much the pressure is low for the cold, and the logarithm of the time constant, as known beforehand
        known = np.array([at[0] * cold, known_ln])
        weight = np.array([(at[0] * cold_sd) ** -2, setting.tau_ln_u**-2])
        fade = np.exp(-x / math.exp(at[3]))
        columns = np.column_stack([np.ones_like(x), x, -fade, -at[2] * fade * x / math.exp(at[3])]) / sd[:, None]
        left = (y - (at[0] + at[1] * x - at[2] * fade)) / sd
        pull = columns.T @ left
        pull[2:] -= weight * (at[2:] - known)
        normal = columns.T @ columns + np.diag([0.0, 0.0, *weight])
        size = 1 / np.sqrt(np.diag(normal))
        try:
            covariance = np.linalg.inv(normal * np.outer(size, size)) * np.outer(size, size)
        except np.linalg.LinAlgError:
            return None
        by = covariance @ pull
        by[3] = min(max(by[3], -0.5), 0.5)
        at = at + by
        if abs(by[1]) < LEAST_STEP * math.sqrt(covariance[1, 1]):
            break
    if not (np.isfinite(at).all() and covariance[1, 1] > 0):
        return None
    rate_sccm = setting.sccm(float(at[1]))
    return rate_sccm - setting.background_sccm, setting.sccm(math.sqrt(covariance[1, 1]))
