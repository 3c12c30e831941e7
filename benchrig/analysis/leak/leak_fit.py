"""The fit of a slow leak: a rising pressure that is nearly straight beside the recovery of the gas.

Split from `leak.hold_vacuum`, which says what it is for and turns a fit into results; a vacuum that is soon gone
is fitted by `benchrig.analysis.leak.gross_leak`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from benchrig.analysis.leak.changing_leak import ChangingLeak, changing_leak
from benchrig.analysis.leak.explanations import Explained, component_of, explained, not_below
from benchrig.analysis.leak.goodness_of_fit import Goodness, covariance_of, goodness_of, goodness_of_fit, resolution_pa
from benchrig.analysis.leak.leak_model import (
    ASTRAY,
    BLOCKS,
    LAMINAR,
    LAMINAR_ODDS,
    ORIFICE,
    PORES,
    PORES_ODDS,
    QUESTIONED,
    SUSPECTED,
    LeakFit,
    LeakModel,
    LeakSetting,
    cold_u,
    recovery,
)
from benchrig.analysis.leak.slow_rise import ROUNDS, Component, SlowRise, slow_rise
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Fitted, Parameter, block_means, fit
from benchrig.analysis.statistics.model_averaging import either, weighed

__all__ = ["usual_leak"]

SETTLED_S = 0.05
"""Relays and the isolation valve are at rest so long after the command (a slow small valve takes 30 ms)."""
SHAPE_SHOWS = 0.008
"""A rise by more than this part of ambient pressure depends on the shape: both kinds of leak are then tried."""
CONVECTION_U, CONVECTION_ODDS = 0.25, 0.06
"""A recovery may slow down as in free convection, where the heat transfer falls with the temperature difference. A
wall that conducts gives a plain exponential instead; both are fitted, and each counts as much as the record bears it
out: sixteen to one for the plain one, before that, since the little that a short record says about the difference
would otherwise cost it most of its precision (engineering judgement)."""
LEAST_LEAK_PER_S = 2e-6
"""Leaks are not negative; one of this many ambient pressures per second is, for drift and noise, nearly as good as
zero."""


def usual_leak(t: Samples, p: Samples, noise_pa: float, setting: LeakSetting) -> LeakFit:
    """Fit a curve that is nearly straight apart from the recovery.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Time since shutting off, s, and absolute pressure, Pa.
    noise_pa : float
        Standard deviation of a single sample.
    setting : LeakSetting
    """
    settled_s = min(SETTLED_S, 0.1 * float(t[-1]))
    end_s = float(t[-1])
    grid = np.linspace(0, 1, BLOCKS + 1)
    edges_s = settled_s + (1e-9 + end_s - settled_s) * grid**1.5
    x, y, n = block_means(t, p, edges_s)
    spread_s2 = np.maximum(block_means(t, (t - 0.5 * end_s) ** 2, edges_s)[1] - (x - 0.5 * end_s) ** 2, 0.0)
    start = float(y[0]) / setting.ambient_pa
    late = x > 0.5 * end_s
    slope = float(np.polyfit(x[late], y[late], 1)[0]) / setting.ambient_pa
    cold = min(max((float(y[-1] - y[0]) / setting.ambient_pa - slope * end_s) / start, -0.1), 0.3)
    model = LeakModel(x, end_s, setting, spread_s2)
    sd, coarse = _block_sd(p, noise_pa, n)
    rises = slope * end_s > SHAPE_SHOWS

    def beginning(shape: tuple[float, float, float, float]) -> list[Parameter]:
        expected, u, low, high = shape
        return [
            Parameter("start", start, 1e-6),
            Parameter("leak", slope, 1e-6),
            *recovery(1 - cold, start, setting),
            Parameter("shape", expected, 1e-3, expected, u, low, high, late=True),
        ]

    ways: list[tuple[Fitted, float]] = []
    fitted, likelier = _weighed_recoveries(model, y, sd, beginning(ORIFICE), slope, setting, ways)
    if rises:
        # a gap that does not fit where a hole does is not worth a search
        thorough = likelier.widening > ASTRAY
        for shape, odds in ((LAMINAR, LAMINAR_ODDS), (PORES, PORES_ODDS)):
            gaps: list[tuple[Fitted, float]] = []
            gap, likelier_gap = _weighed_recoveries(
                model, y, sd, beginning(shape), slope, setting, gaps, thorough=thorough
            )
            ways += [(one, by + math.log(odds)) for one, by in gaps]
            if gap.cost < fitted.cost:
                likelier = likelier_gap
            fitted = either(fitted, gap, odds)
    good = goodness_of_fit(likelier, sd, coarse=coarse)
    return _explained(LeakFit(fitted, likelier, x, sd, model(likelier.values)), good, model, y, ways, coarse, setting)


def _block_sd(p: Samples, noise_pa: float, n: Samples) -> tuple[Samples, bool]:
    """Standard deviations of block means, Pa, and whether they are due to the converter's steps."""
    step_pa, staircase_pa = resolution_pa(p, noise_pa)
    white = noise_pa / np.sqrt(n)
    if staircase_pa <= 0.1 * float(np.median(white)):
        return white, False
    # all blocks on one stair are off together
    stairs = max(float(np.max(p) - np.min(p)) / step_pa, 1.0)
    return np.hypot(white, staircase_pa * math.sqrt(max(len(n) / stairs, 1.0))), True


def _explained(
    leak: LeakFit,
    good: Goodness,
    model: LeakModel,
    y: Samples,
    ways: list[tuple[Fitted, float]],
    coarse: bool,
    setting: LeakSetting,
) -> LeakFit:
    """Ask whether a rise that saturates explains the record better, and average over what remains."""
    x, sd = leak.x, leak.sd

    def plain(noise: float) -> list[Component]:
        return [not_below(component_of(one, sd, noise, odds), 0.0, LEAST_LEAK_PER_S, cut=False) for one, odds in ways]

    def grown(noise: float) -> list[ChangingLeak]:
        vacuum_pa = setting.ambient_pa * (1 - leak.likelier.values["start"])
        found = (
            changing_leak(one, x, sd, y, vacuum_pa, one.values["leak"] * setting.ambient_pa, noise, odds, coarse=coarse)
            for one, odds in ways
        )
        return [each for each in found if each is not None]

    def together(noise: float, slow: list[tuple[SlowRise, float]]) -> Explained:
        changing = [not_below(c, 0.0, LEAST_LEAK_PER_S, cut=True) for each in grown(noise) for c in each.components]
        more = [
            not_below(replace(c, log_evidence=c.log_evidence + odds), 0.0, LEAST_LEAK_PER_S, cut=True)
            for rise, odds in slow
            for c in rise.components
        ]
        return explained([*plain(noise), *changing, *more])

    def closer(parameters: Sequence[Parameter], values: dict[str, float], **how: Any) -> SlowRise:
        return slow_rise(model, x, y, sd * noise, parameters, values, wet_odds=setting.wet_odds, **how)

    noise = good.widening
    if good.p > QUESTIONED and good.slow == 0.0:
        near = [way for way in ways if way[0].cost < leak.likelier.cost + 100 * noise**2]
        screened = [(closer(one.parameters, one.values, jacobian=one.jacobian, rounds=0), odds) for one, odds in near]
        everything = together(noise, screened)
        if everything.slow_probability < SUSPECTED * max(1 - everything.changing_probability, 0.01):
            return replace(leak, goodness=good, explained=everything)
    found = [(_closely(one, model, x, y, sd, setting), odds) for one, odds in ways]
    best = min((rise for rise, _ in found), key=lambda rise: rise.cost)
    better = goodness_of(best.residual, best.jacobian, best.weight, coarse=coarse)
    # what looks like slow noise is often the misfit of the wrong model
    noise = min(noise, better.widening)
    found = [
        (closer(one.parameters, rise.values, rounds=0, times_s=rise.times_s), odds)
        for (one, _), (rise, odds) in zip(ways, found, strict=True)
    ]
    everything = together(noise, found)
    slow = max(found, key=lambda way: way[0].log_evidence + way[1])[0]
    if everything.changing_probability > 0.5:
        good = max((each.goodness for each in grown(1.0)), key=lambda each: each.p)
    elif everything.slow_probability > 0.5:
        good = goodness_of(slow.residual * noise, slow.jacobian * noise, slow.weight, coarse=coarse)
        leak = replace(leak, curve=slow.curve, fitted=_with(slow, leak.fitted, good.widening / noise))
    return replace(leak, goodness=good, explained=everything, slow=slow)


def _closely(one: Fitted, model: LeakModel, x: Samples, y: Samples, sd: Samples, setting: LeakSetting) -> SlowRise:
    """Search for a rise that saturates, from the fit without and, if that leads nowhere, from what is expected."""
    rise = slow_rise(model, x, y, sd, one.parameters, one.values, one.jacobian)
    if rise.cost > ASTRAY * len(x):
        begin = {q.name: q.prior if np.isfinite(q.prior_u) else one.values[q.name] for q in one.parameters}
        begin |= {
            "start": float(y[0]) / setting.ambient_pa,
            "leak": 0.0,
            "warmth": 1 - 0.5 * cold_u(one.values["start"]),
        }
        other = slow_rise(model, x, y, sd, one.parameters, begin, rounds=2 * ROUNDS)
        rise = min(rise, other, key=lambda each: each.cost)
    return rise


def _with(slow: SlowRise, fitted: Fitted, wide: float) -> Fitted:
    """The fit's parameters as they are beside a rise that saturates."""
    k = len(fitted.values)
    inverse = covariance_of(slow.jacobian, slow.weight)
    values = {name: slow.values[name] for name in fitted.values}
    return replace(fitted, values=values, covariance=inverse[:k, :k], residual=slow.residual, widening=max(wide, 1.0))


def _weighed_recoveries(
    model: LeakModel,
    y: Samples,
    sd: Samples,
    parameters: list[Parameter],
    slope: float,
    setting: LeakSetting,
    ways: list[tuple[Fitted, float]],
    *,
    thorough: bool = True,
) -> tuple[Fitted, Fitted]:
    """Fit a recovery by conduction and one by free convection: both weighed, and the likelier one."""
    soft = (0.002 * setting.ambient_pa, 0.0003 * setting.ambient_pa, 0.0)
    fitted = fit(model, y, sd, parameters, soft_sd=soft)
    ways.append((fitted, 0.0))
    if fitted.widening > ASTRAY and not thorough:
        return fitted, fitted
    convection = Parameter("convection", 0.15, 1e-3, 0.0, CONVECTION_U, 0.0, 0.6)
    if fitted.widening < ASTRAY:
        freer = fit(model, y, sd, [*(replace(q, start=fitted.values[q.name]) for q in parameters), convection])
    else:
        freer = fit(model, y, sd, (*parameters, convection), soft_sd=soft)
    if freer.widening > ASTRAY:
        # the corner where the leak leaves choked flow makes narrow valleys: walk along them, one shape after the other
        again = {"convection": 0.25, "warmth": 0.95, "leak": 0.7 * slope}
        begin = [replace(q, start=again.get(q.name, q.start)) for q in (*parameters, convection)]
        ends = next((q.low, q.high) for q in parameters if q.name == "shape")
        for shape in np.linspace(ends[1], ends[0], 5):
            held = [replace(q, start=shape, low=shape, high=shape) if q.name == "shape" else q for q in begin]
            try:
                other = fit(model, y, sd, held, soft_sd=soft[1:2])
            except np.linalg.LinAlgError:
                continue  # this shape leads nowhere
            if other.cost < freer.cost:
                freer = other
        begin = [replace(q, start=freer.values[q.name]) for q in (*parameters, convection)]
        freer = fit(model, y, sd, begin)
    ways.append((freer, math.log(CONVECTION_ODDS)))
    return weighed(fitted, freer, CONVECTION_ODDS), min(fitted, freer, key=lambda one: one.cost)
