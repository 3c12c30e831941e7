"""Local polynomials on evenly spaced samples: smoothing, and the search for a kink."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from benchrig.analysis.results import Samples

__all__ = ["KinkScan", "distinct", "local_quadratic", "noise_of", "scan_kinks"]


def distinct(values: Samples) -> Samples:
    """Values that occur, ascending, shape (m,); as ``numpy.unique``, which would import 15 ms of masked arrays.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite.

    Examples
    --------
    >>> distinct(np.array([2.0, 1.0, 2.0]))
    array([1., 2.])
    """
    ascending = np.sort(values)
    first = np.ones(len(ascending), dtype=np.bool_)
    first[1:] = ascending[1:] > ascending[:-1]
    return np.asarray(ascending[first], dtype=np.float64)


def noise_of(values: Samples) -> float:
    """Standard deviation of the sample-to-sample noise of a smooth signal.

    From the median size of the third differences, so that steps and short events hardly count. White noise is assumed.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced samples, finite.

    Returns
    -------
    float
        Same unit as `values`; 0.0 with fewer than 5 samples.

    Examples
    --------
    >>> round(noise_of(np.random.default_rng(1).normal(0.0, 2.0, 50_000) + np.linspace(0.0, 50.0, 50_000)), 1)
    2.0
    """
    if len(values) < 5:
        return 0.0
    third = np.abs(np.diff(values, 3))
    middle = float(np.median(third))
    if middle == 0.0:  # coarse ADC steps and little noise: most differences vanish
        return float(np.sqrt(np.mean(np.minimum(third, np.quantile(third, 0.95)) ** 2) / 20.0))
    return float(middle / 0.6745 / 20.0**0.5)


@lru_cache(maxsize=64)
def _quadratic_weights(half: int) -> Samples:
    k = np.arange(-half, half + 1, dtype=np.float64)
    return np.asarray(np.linalg.pinv(np.vander(k, 3, increasing=True))[0], dtype=np.float64)


def local_quadratic(values: Samples, half: int) -> Samples:
    """Smooth by the least-squares quadratic through the `half` neighbours on each side.

    At the ends the signal is continued by point reflection, so the outermost values are kept as they are.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced samples, finite.
    half : int
        Neighbours on each side; 0 or 1 returns the values unchanged; cut down to n - 1.

    Returns
    -------
    ndarray, shape (n,)
        Same unit.

    Examples
    --------
    >>> round(float(local_quadratic(np.array([0.0, 1.0, 4.0, 9.0, 16.0, 25.0]), 2)[2]), 6)
    4.0
    """
    half = min(half, len(values) - 1)
    if half < 2:
        return values
    before = 2 * values[0] - values[half:0:-1]
    after = 2 * values[-1] - values[-2 : -half - 2 : -1]
    return np.convolve(np.concatenate([before, values, after]), _quadratic_weights(half), "valid")


@dataclass(frozen=True)
class KinkScan:
    """Two parabolas joined at a sample, fitted around every sample in turn.

    Attributes
    ----------
    first : int
        Index of the first sample with a whole window around it; the arrays begin there.
    jump : ndarray, shape (m,)
        Change of slope at the joint, right minus left, per sample.
    jump_sd : float
        Standard deviation of `jump` for noise of standard deviation one.
    rss : ndarray, shape (m,)
        Residual sum of squares; its lowest value marks the kink.
    freedom : int
        Degrees of freedom of `rss`.
    level : ndarray, shape (m,)
        Fitted value at the joint.
    level_sd : float
        Standard deviation of `level` for noise of standard deviation one.
    """

    first: int
    jump: Samples
    jump_sd: float
    rss: Samples
    freedom: int
    level: Samples
    level_sd: float


@lru_cache(maxsize=256)
def _kink_basis(left: int, right: int, bent: bool) -> tuple[Samples, Samples, float, float]:
    """Orthonormal columns; what turns the projections on them into jump and level, and the norms of these two."""
    k = np.arange(-left, right + 1, dtype=np.float64)
    before, after = np.minimum(k, 0.0), np.maximum(k, 0.0)
    columns = [np.ones_like(k), before, after, before**2, after**2]
    q, r = np.linalg.qr(np.stack(columns[: 5 if bent else 4], axis=1))
    inverse = np.linalg.inv(r)
    both = np.stack([inverse[2] - inverse[1], inverse[0]])
    jump_sd, level_sd = (float(row @ row) ** 0.5 for row in both)
    return np.ascontiguousarray(q.T), both, jump_sd, level_sd


def scan_kinks(values: Samples, left: int, right: int, *, bent: bool = True) -> KinkScan | None:
    """Fit two parabolas, joined but free to change slope, around every sample.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced samples, finite.
    left, right : int
        Samples before and after the joint, at least 3 each.
    bent : bool
        False: a straight line after the joint.

    Returns
    -------
    KinkScan or None
        None when no window fits into the samples.

    Examples
    --------
    >>> y = np.abs(np.arange(-20.0, 21.0))
    >>> scan = scan_kinks(y, 6, 6)
    >>> scan.first + int(np.argmax(scan.jump)), round(float(scan.jump.max()), 6)
    (20, 2.0)
    """
    width = left + right + 1
    if len(values) < width:
        return None
    columns, both, jump_sd, level_sd = _kink_basis(left, right, bent)
    level_out = float(values.mean())
    y = values - level_out
    squares = np.concatenate([[0.0], np.cumsum(y * y)])
    inside = np.stack([np.correlate(y, column, "valid") for column in columns])
    jump, level = both @ inside
    return KinkScan(
        first=left,
        jump=jump,
        jump_sd=jump_sd,
        rss=np.maximum(squares[width:] - squares[:-width] - np.einsum("ij,ij->j", inside, inside), 0.0),
        freedom=width - len(columns),
        level=level + level_out,
        level_sd=level_sd,
    )
