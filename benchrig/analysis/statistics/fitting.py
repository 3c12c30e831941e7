"""Fit a curve of physics to samples: thinning, noise, and damped Gauss-Newton with prior knowledge of the parameters.

A small solver of our own because importing scipy's costs more than ten times what both fits of a run take together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchrig.analysis.results import Samples

__all__ = [
    "SETTLED",
    "Fitted",
    "Parameter",
    "block_means",
    "check_positive",
    "checked_trace",
    "fit",
    "noise_sd",
    "time_constant_prior",
]

MOST_STEPS, MOST_DAMPINGS = 30, 9
SETTLED = 0.01
"""Stop when chi-square would fall by no more than this, were the model linear."""
TRUSTED = 0.7
CRAWL = 0.1
"""Two steps in a row that bring chi-square down by less than this end a search through bent valleys."""
MOST_BEND = 0.75
"""A correction for the bend that is longer than this part of the step is not believed."""
ASIDE = 0.1
"""Part of a step over which the bend of the way is measured."""
LEAST_SAMPLES = 20


@dataclass(frozen=True)
class Parameter:
    """One fitted quantity: where to begin, what is known beforehand, between which ends it lies.

    `prior_u` of infinity means that nothing is known beforehand. `step` is the change used for the numerical
    derivative; `span`, if given, that of the derivative from which the uncertainty comes, for a parameter whose
    effect is not linear over its uncertainty. A `late` one is held while `fit` still pretends more noise than there is.
    """

    name: str
    start: float
    step: float
    prior: float = 0.0
    prior_u: float = np.inf
    low: float = -np.inf
    high: float = np.inf
    span: float = 0.0
    late: bool = False


@dataclass(frozen=True)
class Fitted:
    """Result of `fit`; k parameters in the order given, n data.

    Attributes
    ----------
    values : dict of str to float
        Fitted parameters.
    covariance : ndarray, shape (k, k)
        Of the parameters, priors included, widened by what the residuals say about the model.
    jacobian : ndarray, shape (n, k)
        Derivatives of the model in units of the data.
    residual : ndarray, shape (n,)
        Data less model over the standard deviation of each datum.
    widening : float
        Factor on the standard uncertainties for residuals that are larger than, or not independent like, the noise.
    cost : float
        Chi-square of data and priors together.
    parameters : tuple of Parameter
        As given to `fit`.
    """

    values: dict[str, float]
    covariance: Samples
    jacobian: Samples
    residual: Samples
    widening: float
    cost: float
    parameters: tuple[Parameter, ...]

    def u(self, name: str) -> float:
        """Standard uncertainty of one parameter."""
        at = list(self.values).index(name)
        return float(np.sqrt(self.covariance[at, at]))

    def u_of(self, gradient: dict[str, float]) -> float:
        """Standard uncertainty of a function of the parameters with the given partial derivatives."""
        g = np.array([gradient.get(name, 0.0) for name in self.values])
        return float(np.sqrt(max(g @ self.covariance @ g, 0.0)))


def check_positive(**values: float) -> None:
    """Refuse a value that is not a positive, finite number.

    >>> check_positive(volume_m3=5e-4, ambient_pa=-1.0)
    Traceback (most recent call last):
    ValueError: ambient_pa must be positive, not -1
    """
    for name, value in values.items():
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"{name} must be positive, not {value:g}")


def time_constant_prior(
    known_s: float | None, known_u_s: float | None, usual_s: float, usual_ln_u: float, varies: float = 0.1
) -> tuple[float, float]:
    """Time constant of the heat recovery expected beforehand, s, and the standard uncertainty of its logarithm.

    A constant known from elsewhere counts as no surer than `varies`, 10 %: it varies with pressure and temperature.

    >>> time_constant_prior(None, None, 2.5, 0.7), time_constant_prior(2.0, 0.0, 2.5, 0.7)
    ((2.5, 0.7), (2.0, 0.31622776601683794))
    """
    if not known_s:
        return usual_s, usual_ln_u
    return known_s, min(usual_ln_u, math.hypot(varies, (known_u_s or 0.3 * known_s) / known_s))


def checked_trace(time_s: Samples, pressure_pa: Samples) -> tuple[Samples, Samples]:
    """The two arrays as float64 after a look at their shape, finiteness and order.

    Raises
    ------
    ValueError
        The arrays are not one-dimensional and equally long, hold too few samples or values that are not finite, time
        does not strictly increase, or a pressure is not positive; the message names the array and the first bad index.
    """
    t = np.asarray(time_s, dtype=np.float64)
    p = np.asarray(pressure_pa, dtype=np.float64)
    for name, array in (("time_s", t), ("pressure_pa", p)):
        if array.ndim != 1:
            raise ValueError(f"{name} must have one dimension, not shape {array.shape}")
        bad = np.flatnonzero(~np.isfinite(array))
        if len(bad):
            raise ValueError(f"{name}[{bad[0]}] is {array[bad[0]]}, not a finite number")
    if len(t) != len(p):
        raise ValueError(f"time_s has {len(t)} values and pressure_pa {len(p)}: they must be equally many")
    if len(t) < LEAST_SAMPLES:
        raise ValueError(f"time_s and pressure_pa have {len(t)} samples; at least {LEAST_SAMPLES} are needed")
    bad = np.flatnonzero(np.diff(t) <= 0)
    if len(bad):
        raise ValueError(f"time_s must increase: time_s[{bad[0] + 1}] = {t[bad[0] + 1]:g} after {t[bad[0]]:g} s")
    bad = np.flatnonzero(p <= 0)
    if len(bad):
        raise ValueError(f"pressure_pa must be absolute, thus positive: pressure_pa[{bad[0]}] = {p[bad[0]]:g} Pa")
    return t, p


def noise_sd(values: Samples) -> float:
    """Standard deviation of the white noise on a smooth curve, from its second differences; shape (n,), n >= 3.

    Where quantisation hides the noise, the quantisation step over sqrt(12) is given instead, and for equal values zero.

    Examples
    --------
    >>> ramp = np.linspace(0, 1e5, 4001) + 12 * np.random.default_rng(1).standard_normal(4001)
    >>> round(noise_sd(ramp))
    12
    """
    second = np.diff(values, 2)
    sd = float(np.sqrt(np.mean(second**2) / 6))
    steps = np.abs(np.diff(values))
    steps = steps[steps > 0]
    return max(sd, float(steps.min()) / np.sqrt(12)) if len(steps) else sd


def block_means(time_s: Samples, values: Samples, edges_s: Samples) -> tuple[Samples, Samples, Samples]:
    """Mean time, mean value and number of samples in each block between `edges_s` that holds any.

    Examples
    --------
    >>> block_means(np.arange(4.0), np.array([1.0, 3.0, 5.0, 9.0]), np.array([0.0, 2.0, 10.0]))
    (array([0.5, 2.5]), array([2., 7.]), array([2., 2.]))
    """
    block = np.searchsorted(edges_s, time_s, side="right") - 1
    inside = (block >= 0) & (block < len(edges_s) - 1)
    n = np.bincount(block[inside], minlength=len(edges_s) - 1).astype(np.float64)
    full = n > 0
    t = np.bincount(block[inside], time_s[inside], minlength=len(edges_s) - 1)[full] / n[full]
    v = np.bincount(block[inside], values[inside], minlength=len(edges_s) - 1)[full] / n[full]
    return t, v, n[full]


def fit(
    model: Callable[[dict[str, float], bool], Samples],
    data: Samples,
    sd: Samples,
    parameters: Sequence[Parameter],
    soft_sd: Sequence[float] = (),
    settled_at: float = SETTLED,
    derivatives: Callable[[dict[str, float]], Mapping[str, Samples]] | None = None,
    bends: bool = False,
) -> Fitted:
    """Least squares with priors by damped Gauss-Newton steps.

    Parameters
    ----------
    model : callable
        From parameters by name to predicted data, shape (n,). The second argument is true for a small step aside from
        the parameters asked for last, for a derivative: a numerical model should then keep its grid.
    data, sd : ndarray, shape (n,)
        Data and their standard deviations.
    parameters : sequence of Parameter
        At least one. Every derivative is a forward difference over `Parameter.step`.
    soft_sd : sequence of float
        Pretend this much more noise, one after the other, on the way to the real fit: while there is much of it, what
        is known beforehand keeps the search out of the narrow bent valleys that exact data have.
    settled_at : float
        Stop when chi-square would fall by no more than this, were the model linear.
    derivatives : callable, optional
        Derivatives of the model by those parameters for which it knows them, each of shape (n,).
    bends : bool
        Whether the way down leads through narrow bent valleys: each step is then bent to second order.

    Returns
    -------
    Fitted
        Parameters at their ends stay in the covariance, which is then on the wide side.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0, 3.0])
    >>> unknown = [Parameter("a", 0, 1e-6), Parameter("s", 0, 1e-6)]
    >>> line = fit(lambda q, _: q["a"] + q["s"] * x, 1 + 2 * x, np.ones(4), unknown)
    >>> {name: round(value, 6) for name, value in line.values.items()}
    {'a': 1.0, 's': 2.0}
    """
    for soft in soft_sd:
        held = {q.name: q.start for q in parameters if q.late}

        def early(q: dict[str, float], aside: bool, held: dict[str, float] = held) -> Samples:
            return model({**held, **q}, aside)

        def early_derivatives(q: dict[str, float], held: dict[str, float] = held) -> Mapping[str, Samples]:
            return derivatives({**held, **q}) if derivatives else {}

        free = [q for q in parameters if not q.late]
        nearer = fit(early, data, np.hypot(sd, soft), free, (), 1.0, early_derivatives, bends).values
        parameters = [replace(q, start=nearer.get(q.name, q.start)) for q in parameters]
    names = [q.name for q in parameters]
    low, high = np.array([q.low for q in parameters]), np.array([q.high for q in parameters])
    prior, weight = np.array([q.prior for q in parameters]), np.array([1 / q.prior_u for q in parameters])
    at = np.clip(np.array([q.start for q in parameters]), low, high)

    def predicted(x: Samples, aside: bool = False) -> Samples:
        return model(dict(zip(names, x.tolist(), strict=True)), aside)

    def cost(x: Samples, y: Samples) -> float:
        with np.errstate(over="ignore", invalid="ignore"):
            return float(np.sum(((data - y) / sd) ** 2) + np.sum((weight * (x - prior)) ** 2))

    def derivative(j: int, step: float) -> Samples:
        nearby = at.copy()
        step = step if at[j] + step <= high[j] else -step
        nearby[j] += step
        return np.asarray((predicted(nearby, aside=True) - now) / step, dtype=np.float64)

    def bent(there: Samples, damped: Samples, free: npt.NDArray[np.bool_]) -> Samples:
        """The step's end with what the model departs from a straight line on the way taken out, to second order."""
        by = there - at
        near = predicted(at + ASIDE * by, aside=True)
        curving = ((near - now) / ASIDE - jacobian @ by) / (ASIDE * sd)
        back = np.zeros(len(at))
        moving = free & (by != 0)
        if not np.all(np.isfinite(curving)) or not moving.any():
            return there
        pull = (jacobian.T @ (curving / sd))[moving]
        back[moving] = _solved(damped[np.ix_(moving, moving)], pull)
        with np.errstate(over="ignore", invalid="ignore"):  # a model that runs away aside of the way
            little = back @ damped @ back <= MOST_BEND**2 * (by @ damped @ by)
        if not little:
            return there
        return np.asarray(np.clip(there - back, low, high), dtype=np.float64)

    now = predicted(at)
    best = cost(at, now)
    damping = 0.0
    jacobian = np.empty((len(data), len(names)))
    fresh = stale = False
    crawled = 0
    for _ in range(MOST_STEPS):
        if not stale:
            now = predicted(at)
            known = derivatives(dict(zip(names, at.tolist(), strict=True))) if derivatives else {}
            for j, q in enumerate(parameters):
                jacobian[:, j] = known[q.name] if q.name in known else derivative(j, q.step)
            fresh = True
        scaled = jacobian / sd[:, None]
        normal = scaled.T @ scaled + np.diag(weight**2)
        slope = scaled.T @ ((data - now) / sd) - weight**2 * (at - prior)
        free = ~(((at <= low) & (slope < 0)) | ((at >= high) & (slope > 0)))
        expected = float(slope[free] @ _solved(normal[np.ix_(free, free)], slope[free]))
        if expected < settled_at:
            if fresh:
                break
            stale = False
            continue
        for _ in range(1 if stale else MOST_DAMPINGS):
            damped = normal + damping * np.diag(np.diag(normal))
            there = _step(at, damped, slope, free, low, high)
            if bends:
                there = bent(there, damped, free)
            then = predicted(there)
            reached = cost(there, then)
            if np.isfinite(reached) and reached < best:
                break
            damping = max(5 * damping, 1e-3)
        else:
            if fresh:
                break
            stale = False
            continue
        # a step that brought what a linear model promised: the derivatives will do for the next one
        stale = not bends and damping == 0.0 and best - reached > TRUSTED * expected
        fresh = False
        crawled = crawled + 1 if bends and best - reached < CRAWL else 0
        at, now, best = there, then, reached
        if crawled == 2:
            break
        damping = damping / 5 if damping > 1e-5 else 0.0
    now = predicted(at)
    known = derivatives(dict(zip(names, at.tolist(), strict=True))) if derivatives and not fresh else {}
    for j, q in enumerate(parameters):
        if q.name in known:
            jacobian[:, j] = known[q.name]
        elif q.span or not fresh:
            jacobian[:, j] = derivative(j, q.span or q.step)
    scaled = jacobian / sd[:, None]
    residual = (data - now) / sd
    widening = _widening(residual, len(names))
    covariance = _inverse(scaled.T @ scaled / widening**2 + np.diag(weight**2))
    values = dict(zip(names, at.tolist(), strict=True))
    return Fitted(values, covariance, jacobian, residual, widening, best, tuple(parameters))


def _step(
    at: Samples, normal: Samples, slope: Samples, free: npt.NDArray[np.bool_], low: Samples, high: Samples
) -> Samples:
    """Parameters after a Newton step; one that would pass its end stops there, and the others allow for it."""
    moving, by = free.copy(), np.zeros(len(at))
    while moving.any():
        rest = slope[moving] - normal[np.ix_(moving, ~moving)] @ by[~moving]
        by[moving] = _solved(normal[np.ix_(moving, moving)], rest)
        beyond = moving & ((at + by < low) | (at + by > high))
        if not beyond.any():
            break
        by[beyond] = np.clip(at + by, low, high)[beyond] - at[beyond]
        moving &= ~beyond
    return np.asarray(at + by, dtype=np.float64)


def _looked_at(matrix: Samples) -> Samples:
    """The matrix, if it can be solved: told of infinity, LAPACK writes to the program's standard output."""
    if not np.all(np.isfinite(matrix)):
        raise np.linalg.LinAlgError("the model gives no finite numbers here")
    return matrix


def _solved(matrix: Samples, right: Samples) -> Samples:
    _looked_at(matrix)
    scale = 1 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * scale[:, None] * scale[None, :]
    if not np.isfinite(scaled).all() or not np.isfinite(right).all():
        raise np.linalg.LinAlgError("not finite")  # LAPACK would say so on stdout
    answer = np.linalg.lstsq(scaled, right * scale, rcond=1e-13)[0]
    return np.asarray(answer * scale, dtype=np.float64)


def _inverse(matrix: Samples) -> Samples:
    _looked_at(matrix)
    scale = 1 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    inverse = np.linalg.pinv(matrix * scale[:, None] * scale[None, :], rcond=1e-13, hermitian=True)
    return np.asarray(inverse * scale[:, None] * scale[None, :], dtype=np.float64)


def _widening(residual: Samples, parameters: int) -> float:
    """Factor on the uncertainties: residuals larger than the noise, or alike from one datum to the next."""
    spare = max(len(residual) - parameters, 1)
    variance = float(residual @ residual) / spare
    together = 1.0
    for lag in range(1, len(residual) // 4):
        alike = float(residual[lag:] @ residual[:-lag]) / max(float(residual @ residual), 1e-30)
        if alike < 2 / np.sqrt(len(residual)):
            break
        together += 2 * alike
    return float(np.sqrt(max(variance * together, 1.0)))
