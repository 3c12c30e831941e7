"""A rise that saturates, beside leak and recovery: fuel vapour, or a wall that goes on warming or cooling the gas.

Residual fuel evaporates into the vacuum until its vapour pressure is reached: A (1 - exp(-t/T)). At its beginning this
looks like a leak; only that it bends tells them apart, a leak in choked flow being constant. In a short record the
bend may be lost in the noise while A/T is not, so that a fit of A and T has no one answer. Here T runs over a grid,
and for each T all other parameters are integrated out in closed form about the best point found (Gauss-Newton): what
comes out is how probable such a rise is, and the leak for each way it could be, to be averaged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.leak.goodness_of_fit import covariance_of
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Parameter

__all__ = ["LEAST_WET_PA", "ROUNDS", "WET_ODDS", "Component", "SlowRise", "positive_part", "slow_rise"]

LEAST_TIME_S, MOST_TIME_S, TIMES = 4.0, 180.0, 15
"""Time constants tried, equally probable on a logarithmic scale; vapour was seen to take 5 to 100 s."""
VAPOUR_SCALES_PA, WALL_SCALES_PA = (300.0, 1_000.0, 3_000.0, 9_000.0), (30.0, 100.0, 300.0)
"""Half-normal scales of the pressure that vapour ends at, and normal ones of what a wall makes, which may cool as well
as warm the gas; equally probable beforehand."""
WET_ODDS, WALL_ODDS = 0.05, 0.01
"""A removed valve is still wet, a wall has a second time constant that shows, so likely beforehand (engineering
judgement, no source)."""
LEAST_WET_PA = 150.0
"""A smaller rise is rather the wall's (engineering judgement: vapour of residual fuel makes 0.2 to 10 kPa)."""
ROUNDS = 10
MATTERS = 12.0
"""A time constant that is less likely than the best by this in the logarithm no longer matters."""


@dataclass(frozen=True)
class Component:
    """One way to explain the record: its log evidence, and what it says, with standard deviations.

    `leak` is in the units of the fit, `tau_ln` the logarithm of the recovery's time constant in seconds.
    """

    log_evidence: float
    leak: float
    leak_sd: float
    kind: str
    tau_ln: float = 0.0
    tau_ln_sd: float = 0.0


@dataclass(frozen=True)
class SlowRise:
    """What the grid found.

    Attributes
    ----------
    components : tuple of Component
        One per time constant and scale; the leak in the units of the fit.
    log_evidence : float
        Of all of them together, on the scale of `log_evidence_of`.
    amplitude_pa, amplitude_u_pa, time_constant_s, time_constant_u_s : float
        Averaged over the grid.
    rate_pa_s : float
        How fast the pressure rises (or falls) by it at the beginning, magnitude, averaged over the grid.
    values : dict of str to float
        The other parameters at the likeliest time constant.
    curve, residual : ndarray, shape (n,)
        The likeliest curve, Pa, and data less curve over the noise.
    jacobian : ndarray, shape (n, k + 2)
        In units of the noise, amplitude and time constant last.
    weight : ndarray, shape (k + 2,)
        Inverse variances of what was known beforehand.
    cost : float
        Chi-square of data and priors at the likeliest.
    times_s : ndarray
        The grid of time constants.
    """

    components: tuple[Component, ...]
    log_evidence: float
    amplitude_pa: float
    amplitude_u_pa: float
    time_constant_s: float
    time_constant_u_s: float
    rate_pa_s: float
    values: dict[str, float]
    curve: Samples
    residual: Samples
    jacobian: Samples
    weight: Samples
    cost: float
    times_s: Samples


def log_evidence_of(cost: float, covariance: Samples, parameters: Sequence[Parameter]) -> float:
    """Laplace's approximation of a fit's evidence; flat priors count as 1, alike in all fits that have them."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    spread = float(np.sum(np.log(scale)))
    spread += 0.5 * float(np.linalg.slogdet(covariance / np.outer(scale, scale))[1])
    known = sum(float(np.log(q.prior_u)) for q in parameters if np.isfinite(q.prior_u))
    one_sided = sum(
        math.log(2) for q in parameters if np.isfinite(q.prior_u) and np.isfinite(q.low) and q.low >= q.prior
    )
    return spread - known + one_sided - cost / 2


def slow_rise(
    model: Callable[[dict[str, float], bool], Samples],
    x: Samples,
    y: Samples,
    sd: Samples,
    parameters: Sequence[Parameter],
    values: dict[str, float],
    jacobian: Samples | None = None,
    *,
    rounds: int = ROUNDS,
    times_s: Samples | None = None,
    wet_odds: float = WET_ODDS,
) -> SlowRise:
    """Look for a rise that saturates.

    Parameters
    ----------
    model : callable
        The fit's model without such a rise; see `benchrig.analysis.statistics.fitting.fit`.
    x, y, sd : ndarray, shape (n,)
        Times since the beginning, s, pressures and their standard deviations, Pa.
    parameters : sequence of Parameter
        Of the fit, `leak` among them.
    values, jacobian
        Where to begin: where the fit without such a rise ended, with its derivatives there, Pa, shape (n, k); or
        anywhere, without.
    rounds : int
        Gauss-Newton steps at most; 0: stay where the fit ended, which is enough to see that there is nothing.
    times_s : ndarray, optional
        Grid of time constants to begin with.
    wet_odds : float
        Odds of vapour beforehand, over none.
    """
    names = [q.name for q in parameters]
    prior = np.array([q.prior for q in parameters])
    weight = np.array([1 / q.prior_u**2 for q in parameters])
    low, high = np.array([q.low for q in parameters]), np.array([q.high for q in parameters])
    step = np.array([q.step for q in parameters])
    times_s = np.geomspace(LEAST_TIME_S, MOST_TIME_S, TIMES) if times_s is None else times_s

    def predicted(at: Samples, aside: bool = False) -> Samples:
        try:
            return model(dict(zip(names, at.tolist(), strict=True)), aside)
        except (ArithmeticError, ValueError):  # a step too far
            return np.full(len(x), np.inf)

    at = np.array([values[name] for name in names])
    now = predicted(at)

    def derivatives() -> Samples:
        columns = []
        for j, q in enumerate(parameters):
            nearby = at.copy()
            by = step[j] if at[j] + step[j] <= q.high else -step[j]
            nearby[j] += by
            columns.append((predicted(nearby, True) - now) / by / sd)
        return np.array(columns).T

    scaled = derivatives() if jacobian is None else jacobian / sd[:, None]
    here = _Linear(scaled, (y - now) / sd, prior - at, weight, x, sd, times_s)
    cost = math.inf
    for _ in range(rounds):
        amplitude, k = here.likeliest()
        by = here.step(amplitude, k)
        best = here.cost_at(amplitude, k)
        for _ in range(6):
            there = np.clip(at + by, low, high)
            then = predicted(there)
            reached = float(np.sum(((y - then) / sd - amplitude * here.columns[:, k]) ** 2))
            reached += float(np.sum(weight * (there - prior) ** 2))
            if reached < best:
                break
            by = by / 3
        else:
            break
        gained = min(cost, best) - reached
        at, now, cost = there, then, reached
        predicted(at)
        scaled = derivatives()
        here = _Linear(scaled, (y - now) / sd, prior - at, weight, x, sd, here.times_s)
        nearer = here.nearer()
        if nearer is not None:
            here = _Linear(scaled, (y - now) / sd, prior - at, weight, x, sd, nearer)
        elif gained < 0.02:
            break
    return here.result(at, names, parameters, now, x, sd, wet_odds)


class _Linear:
    """The problem about one point: everything in units of the noise, one column per time constant."""

    def __init__(
        self,
        jacobian: Samples,
        residual: Samples,
        away: Samples,
        weight: Samples,
        x: Samples,
        sd: Samples,
        times_s: Samples,
    ) -> None:
        self.jacobian, self.residual, self.away, self.weight, self.times_s = jacobian, residual, away, weight, times_s
        self.columns = columns = (1 - np.exp(-x[:, None] / times_s)) / sd[:, None]
        self.inverse = covariance_of(jacobian, weight)
        right = jacobian.T @ residual + weight * away
        self.shift = self.inverse @ right
        self.base_cost = float(residual @ residual + np.sum(weight * away**2) - right @ self.shift)
        self.seen = jacobian.T @ columns
        self.pull = self.inverse @ self.seen
        self.information = np.maximum(
            np.einsum("ij,ij->j", columns, columns) - np.einsum("ij,ij->j", self.seen, self.pull), 1e-12
        )
        self.score = columns.T @ residual - self.seen.T @ self.shift

    def gains(self) -> tuple[Samples, Samples]:
        """Best amplitude for each time constant, Pa, and the log likelihood it gains."""
        known = 1 / np.where(self.score > 0, VAPOUR_SCALES_PA[-1], WALL_SCALES_PA[-1]) ** 2
        amplitude = self.score / (self.information + known)
        return amplitude, amplitude * self.score - 0.5 * amplitude**2 * (self.information + known)

    def likeliest(self) -> tuple[float, int]:
        amplitude, gain = self.gains()
        k = int(np.argmax(gain))
        return float(amplitude[k]), k

    def nearer(self) -> Samples | None:
        """A finer grid about the time constants that matter, or None where this one is fine enough."""
        _, gain = self.gains()
        matter = np.flatnonzero(gain > np.max(gain) - MATTERS)
        if len(matter) > 6:
            return None
        low = self.times_s[max(matter[0] - 1, 0)]
        high = self.times_s[min(matter[-1] + 1, len(self.times_s) - 1)]
        if high / low < 1.002:
            return None
        return np.geomspace(low, high, TIMES)

    def step(self, amplitude: float, k: int) -> Samples:
        return np.asarray(self.shift - amplitude * self.pull[:, k], dtype=np.float64)

    def cost_at(self, amplitude: float, k: int) -> float:
        """Chi-square at this very point, parameters unmoved, with that rise."""
        left = self.residual - amplitude * self.columns[:, k]
        return float(left @ left + np.sum(self.weight * self.away**2))

    def result(
        self,
        at: Samples,
        names: list[str],
        parameters: Sequence[Parameter],
        now: Samples,
        x: Samples,
        sd: Samples,
        wet_odds: float,
    ) -> SlowRise:
        leak, tau = names.index("leak"), names.index("tau_ln")
        base = log_evidence_of(self.base_cost, self.inverse, parameters)
        cell = math.log(self.times_s[1] / self.times_s[0]) / math.log(MOST_TIME_S / LEAST_TIME_S)
        components: list[Component] = []
        logs, means, variances = [], [], []
        for scale, odds, one_sided in (
            *((s, wet_odds / len(VAPOUR_SCALES_PA), True) for s in VAPOUR_SCALES_PA),
            *((s, WALL_ODDS / len(WALL_SCALES_PA), False) for s in WALL_SCALES_PA),
        ):
            variance = 1 / (self.information + 1 / scale**2)
            sigma = np.sqrt(variance)
            mean = variance * self.score
            log_tail, mean_in, variance_in = np.full(len(mean), math.log(0.5)), mean, variance
            if one_sided:
                log_tail, mean_in, variance_in = positive_part(mean, sigma)
            log = base + math.log(2 * odds * cell) + np.log(sigma / scale) + 0.5 * (mean / sigma) ** 2
            log = log + log_tail
            leak_mean = at[leak] + self.shift[leak] - self.pull[leak] * mean_in
            leak_variance = self.inverse[leak, leak] + self.pull[leak] ** 2 * variance_in
            tau_mean = at[tau] + self.shift[tau] - self.pull[tau] * mean_in
            tau_variance = self.inverse[tau, tau] + self.pull[tau] ** 2 * variance_in
            logs.append(log)
            means.append(mean_in)
            variances.append(variance_in)
            components.extend(
                Component(one, value, math.sqrt(var), "slow", tau_ln, math.sqrt(tau_var))
                for one, value, var, tau_ln, tau_var in zip(
                    *(each.tolist() for each in (log, leak_mean, leak_variance, tau_mean, tau_variance)), strict=True
                )
            )
        log_all, mean_all, variance_all = np.array(logs), np.array(means), np.array(variances)
        top = float(np.max(log_all))
        share = np.exp(log_all - top)
        total = float(np.sum(share))
        share /= total
        amplitude = float(np.sum(share * mean_all))
        amplitude_u = math.sqrt(float(np.sum(share * (variance_all + (mean_all - amplitude) ** 2))))
        by_time = share.sum(axis=0)
        time_s = math.exp(float(by_time @ np.log(self.times_s)))
        time_ln_u = math.sqrt(max(float(by_time @ (np.log(self.times_s) - math.log(time_s)) ** 2), 0.01**2))
        best_amplitude, k = self.likeliest()
        column = self.columns[:, k]
        # how the curve changes with the logarithm of the time constant, which the grid meets only nearly
        tilt = -best_amplitude * np.exp(-x / self.times_s[k]) * x / self.times_s[k] / sd
        whole = np.column_stack([self.jacobian, column, tilt])
        weight = np.append(self.weight, [0.0, 1 / (math.log(self.times_s[-1] / self.times_s[0]) / 4) ** 2])
        normal = whole.T @ whole + np.diag(weight)
        size = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
        right = whole.T @ self.residual + np.append(self.weight * self.away, [0.0, 0.0])
        by = size * (np.linalg.pinv(normal * np.outer(size, size), rcond=1e-13, hermitian=True) @ (size * right))
        residual = self.residual - whole @ by
        moved = np.clip(at + by[:-2], [q.low for q in parameters], [q.high for q in parameters])
        return SlowRise(
            tuple(components),
            top + math.log(total),
            amplitude,
            amplitude_u,
            time_s,
            time_s * time_ln_u,
            float(np.sum(share * np.abs(mean_all) / self.times_s)),
            dict(zip(names, moved.tolist(), strict=True)),
            now + (whole @ by) * sd,
            np.asarray(residual, dtype=np.float64),
            whole,
            np.append(self.weight, [0.0, 0.0]),
            float(residual @ residual + np.sum(self.weight * (self.away - by[:-2]) ** 2)),
            self.times_s,
        )


def positive_part(mean: Samples, sigma: Samples) -> tuple[Samples, Samples, Samples]:
    """Log of the probability above zero of normal distributions, mean and variance of that part; shape (n,)."""
    z = mean / sigma
    tail = np.array([0.5 * math.erfc(-max(one, -35.0) / math.sqrt(2)) for one in z])
    # far below zero what is left is exponential
    density = np.exp(-0.5 * np.clip(z, -35.0, 35.0) ** 2) / math.sqrt(2 * math.pi)
    hazard = np.where(z > -6, density / np.maximum(tail, 1e-300), -z - 1 / np.minimum(z, -1.0))
    log_tail = np.where(z > -35, np.log(np.maximum(tail, 1e-300)), -0.5 * z**2 - np.log(-np.minimum(z, -1.0) * 2.5066))
    variance = sigma**2 * np.clip(1 - hazard * (hazard + z), 1e-6, 1.0)
    return log_tail, mean + sigma * hazard, variance
