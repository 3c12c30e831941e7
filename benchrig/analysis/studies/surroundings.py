"""Take the room's temperature and the weather's pressure out of values that were measured on many days."""

from __future__ import annotations

import math

import numpy as np

from benchrig.analysis.results import Samples

__all__ = ["to_mean_surroundings"]


def to_mean_surroundings(values: Samples, surroundings: Samples, baseline: int) -> tuple[Samples, float]:
    """Bring values to the baseline's mean surroundings by straight lines fitted to the baseline.

    A regression-adjusted chart: what the surroundings explain is no drift, and days that are alike in weather would
    otherwise look like a run on one side.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Measured, in order.
    surroundings : ndarray, shape (n, k)
        Temperature, pressure and so on, measured with each value by something that does not drift with it.
    baseline : int
        So many first values are fitted; the lines hold for all. It must be over k + 2.

    Returns
    -------
    adjusted : ndarray, shape (n,)
        Values less what the surroundings explain.
    widening : float
        The fit makes the baseline's scatter look smaller by this factor, which limits have to be widened by. 1 when
        nothing was fitted: columns that did not vary in the baseline are left out, for they tell nothing.

    Raises
    ------
    ValueError
        The baseline is too short.

    Examples
    --------
    >>> kelvin = np.array([[294.0], [295.0], [296.0], [295.0], [299.0]])
    >>> adjusted, widening = to_mean_surroundings(10.0 + 0.5 * (kelvin[:, 0] - 295.0), kelvin, 4)
    >>> adjusted.round(6).tolist(), round(widening, 3)
    ([10.0, 10.0, 10.0, 10.0, 10.0], 1.225)
    """
    within = np.asarray(surroundings[:baseline], dtype=np.float64)
    vary = np.ptp(within, axis=0) > 0.0
    columns = int(vary.sum())
    if baseline < columns + 3:
        raise ValueError(f"a baseline of {baseline} is too short to fit {columns} surroundings")
    if not columns:
        return np.asarray(values, dtype=np.float64), 1.0
    mean = within[:, vary].mean(axis=0)
    scale = within[:, vary].std(axis=0)
    off = (np.asarray(surroundings, dtype=np.float64)[:, vary] - mean) / scale
    slopes, *_ = np.linalg.lstsq(off[:baseline], values[:baseline] - values[:baseline].mean(), rcond=None)
    widening = math.sqrt((baseline - 1) / (baseline - 1 - columns))
    return np.asarray(values - off @ slopes, dtype=np.float64), widening
