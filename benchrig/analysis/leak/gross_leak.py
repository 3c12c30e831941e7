"""The fit of a gross leak: a vacuum that is gone before long, with the instant of shutting off beside it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchrig.analysis.gas.air import GAMMA
from benchrig.analysis.leak.explanations import component_of, explained
from benchrig.analysis.leak.goodness_of_fit import FALSE_ALARM, goodness_of, goodness_of_fit
from benchrig.analysis.leak.leak_model import (
    ASTRAY,
    BLOCKS,
    LAMINAR,
    LAMINAR_LN,
    LAMINAR_LN_U,
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
from benchrig.analysis.statistics.model_averaging import averaged

__all__ = ["FEW_SAMPLES", "gross_leak"]

BINS = (0.7, 0.9, 1.0, 0.5, 0.3, 0.1)
"""Shapes about which a gross leak through a hole is fitted, each within a tenth: over the whole range the corner where
the flow leaves the choked part makes many valleys. In the order of trying: up from the middle, then down."""
FEW_SAMPLES = 6
"""A vacuum of which half is gone within so few samples tells nothing of the shape."""
AMBIENT_U_PA = 15.0
MOST_WET_PA = 12_000.0
"""Vapour of residual fuel that ends at more is none (engineering judgement: it makes 0.2 to 10 kPa)."""
STARTS, AHEAD, MENDABLE = 3, 0.1, 10.0
LAMINAR_LN_TRIED = (-6.5, -5.5, *(10 * [-6.8]))
"""Where the flow may turn laminar instead, logarithm of the part of ambient, tried where a fit is off by its last end
only: its residuals exceed the noise by less than `MENDABLE`. After the first few, as long as it gets better."""
HOPELESS = 100.0
"""A shape that raises chi-square by so much is wrong, and one beyond it more so."""
FAR_U = 5.0
"""An ambient pressure that a fit moves by so many standard uncertainties is none."""


def gross_leak(t: Samples, p: Samples, began_pa: float, noise_pa: float, setting: LeakSetting) -> LeakFit:
    """Fit a vacuum that is gone before long: the same with the instant of shutting off beside it.

    Parameters as for `usual_leak`; `began_pa` is the pressure when the reservoir was shut off.
    """
    vacuum_pa = setting.ambient_pa - began_pa
    half = np.flatnonzero((p - began_pa > 0.5 * vacuum_pa) & (t >= 0))
    half_s = max(float(t[half[0]]) if len(half) else float(t[-1]), 4 * float(np.median(np.diff(t))))
    # the pump still draws in a lead-in that falls: the record begins with the shutting off, then
    before = t < 0
    fell_pa = float(np.mean(p[before][:5]) - began_pa) if np.count_nonzero(before) >= 10 else 0.0
    lead_in_s = -0.5 * half_s if fell_pa < 4 * noise_pa else 0.0
    first_s, last_s = max(float(t[0]), lead_in_s), min(float(t[-1]), 6 * half_s)
    x, y, n = block_means(t, p, np.linspace(first_s, last_s + 1e-9, BLOCKS + 1))
    start = began_pa / setting.ambient_pa
    rate = 0.5 * vacuum_pa / half_s / setting.ambient_pa * 0.9

    model = LeakModel(x, last_s - first_s, setting)
    ambient_u = math.hypot(AMBIENT_U_PA, 0.3 * setting.pressure_u_pa) / setting.ambient_pa
    sd = np.hypot(noise_pa / np.sqrt(n), np.where(y > 0.998 * setting.ambient_pa, 0.03 * (setting.ambient_pa - y), 0.0))

    def beginning(kind: tuple[float, float, float, float], near: float, half_wide: float) -> list[Parameter]:
        shape, shape_u, low, high = kind
        low, high = max(low, near - half_wide), min(high, near + half_wide)
        return [
            Parameter("start", start, 1e-6),
            Parameter("leak", rate, 1e-5 * rate, low=0.0),
            *recovery(1 - 0.5 * cold_u(start), start, replace(setting, chill_u=None)),  # it had another pump-down
            Parameter("shape", near, 1e-3, shape, shape_u, low, high),
            Parameter("shut_s", 0.005, 1e-5, prior=0.005, prior_u=0.02, low=-0.05, high=0.3, late=True),
            Parameter("ambient", 0.0, 1e-6, prior=0.0, prior_u=ambient_u, late=True),
            Parameter("laminar_ln", LAMINAR_LN, 1e-2, LAMINAR_LN, LAMINAR_LN_U, -10.0, -4.0, late=True),
        ]

    tried: list[tuple[Fitted, float]] = []

    def attempt(parameters: list[Parameter], soft: tuple[float, ...], log_odds: float) -> Fitted | None:
        try:
            tried.append((fit(model, y, sd, parameters, soft_sd=soft), log_odds))
        except np.linalg.LinAlgError:
            return None
        return tried[-1][0]

    soft = (0.01 * setting.ambient_pa, 0.001 * setting.ambient_pa, 0.0)
    first = attempt(beginning(ORIFICE, BINS[0], 0.1), soft, 0.0)
    last = first
    period_s = float(np.median(np.diff(t)))
    for near in BINS[1:]:
        if half_s <= FEW_SAMPLES * period_s and tried:
            break
        if near < BINS[0] and last is not first and near == BINS[3]:
            last = first  # down again from the middle
        if _hopeless(last, [one for one, _ in tried]):
            continue
        begin = beginning(ORIFICE, near, 0.1)
        if last is not None:
            known = {name: value for name, value in last.values.items() if name != "shape"}
            begin = [replace(q, start=known.get(q.name, q.start)) for q in begin]
        last = attempt(begin, soft[1:] if last is not None else soft, 0.0)
    if half_s > FEW_SAMPLES * period_s and (not tried or min(one.widening for one, _ in tried) > ASTRAY):
        attempt(beginning(LAMINAR, LAMINAR[0], 1.0), soft, math.log(LAMINAR_ODDS))
        attempt(beginning(PORES, PORES[0], 1.0), soft, math.log(PORES_ODDS))
    costs: list[float] = []
    for laminar_ln in LAMINAR_LN_TRIED if tried and half_s > FEW_SAMPLES * period_s else ():
        # where a flow turns laminar below the last of the vacuum that was seen, nothing says that it does so earlier
        best, odds = min(tried, key=lambda way: way[0].cost)
        if not costs and (best.widening > MENDABLE or goodness_of_fit(best, sd).p > FALSE_ALARM):
            break
        costs.append(best.cost)
        if len(costs) > STARTS + 1 and costs[-3] - costs[-1] < 1.0:
            break
        shape = best.values["shape"]
        if len(costs) > STARTS:  # along the valley in larger steps
            shape = min(max(shape + AHEAD * (-1) ** len(costs), LAMINAR[3]), ORIFICE[3])
        begin = beginning(ORIFICE if shape > LAMINAR[3] else LAMINAR, shape, 0.3)
        known = best.values | {"laminar_ln": max(laminar_ln, best.values["laminar_ln"]), "shape": shape}
        attempt([replace(q, start=known[q.name]) for q in begin], soft[2:], odds)
    if not tried:
        raise np.linalg.LinAlgError("no gross leak fits")
    likelier = min((one for one, _ in tried), key=lambda one: one.cost)
    good = goodness_of_fit(likelier, sd)
    ways = [component_of(one, sd, max(good.widening, 1.0), odds) for one, odds in tried]
    told = all(math.isfinite(way.log_evidence) for way in ways)  # a record of a few samples may tell nothing
    ambient = likelier.values["ambient"]
    beyond_ambient_pa = ambient * setting.ambient_pa if abs(ambient) > FAR_U * ambient_u else 0.0
    alone = good, beyond_ambient_pa
    slow: SlowRise | None = None
    more: list[Component] = []
    if told and half_s > FEW_SAMPLES * period_s:
        rounds = 0 if good.p > QUESTIONED and not beyond_ambient_pa else ROUNDS
        at, odds = min(tried, key=lambda way: way[0].cost)
        slow = slow_rise(
            model,
            x,
            y,
            sd * max(good.widening, 1.0),
            at.parameters,
            at.values,
            at.jacobian,
            rounds=rounds,
            wet_odds=setting.wet_odds,
        )
        if beyond_ambient_pa or good.p < FALSE_ALARM:
            # begin as if the rise were half vapour
            parameters = beginning(ORIFICE, ORIFICE[0], 1.0)
            values = {q.name: q.start for q in parameters} | {"leak": 0.5 * rate}
            other = slow_rise(model, x, y, sd, parameters, values, rounds=3 * ROUNDS, wet_odds=setting.wet_odds)
            beside = goodness_of(other.residual, other.jacobian, other.weight)
            fits = beside.p > FALSE_ALARM and beside.widening < ASTRAY
            plausible = 0 < other.amplitude_pa < MOST_WET_PA and abs(other.values["ambient"]) < FAR_U * ambient_u
            if fits and plausible:
                slow, good, beyond_ambient_pa, odds = other, beside, 0.0, 0.0
                ways = [component_of(one, sd, max(good.widening, 1.0), each) for one, each in tried]
        more = [replace(c, log_evidence=c.log_evidence + odds) for c in slow.components]
    everything = explained([*ways, *more]) if told else None
    if everything is not None and everything.slow_probability < 0.5:
        good, beyond_ambient_pa = alone  # what vapour would mend is not mended by vapour that is not believed
    if everything is None or everything.slow_probability < SUSPECTED:
        slow, everything = None, explained(ways) if told else None
    fitted = averaged([one for one, _ in tried], [way.log_evidence for way in ways]) if told else likelier
    # so much of the vacuum went in no more than this, on average, so that the leak at the start was larger
    vapour_pa = max(slow.amplitude_pa, 0.0) if slow is not None else 0.0
    warmed_pa = began_pa * max(1 - fitted.values["warmth"] + 2 * fitted.u("warmth"), 0.0)
    warmed_pa *= -math.expm1(-half_s / math.exp(fitted.values["tau_ln"]))
    gone_pa = 0.5 * vacuum_pa if len(half) else float(np.mean(p[-5:])) - began_pa
    filled_pa = max(gone_pa - vapour_pa - warmed_pa, 0.0)
    at_least_sccm = setting.sccm(filled_pa / GAMMA / (max(half_s, period_s) + period_s)) - setting.background_sccm
    return LeakFit(
        fitted,
        likelier,
        x,
        sd,
        model(likelier.values),
        at_least_sccm,
        good,
        everything,
        slow,
        half_s,
        period_s,
        beyond_ambient_pa,
    )


def _hopeless(last: Fitted | None, tried: list[Fitted]) -> bool:
    """Whether a shape beyond the last one is not worth a search: another fits, and does so far better."""
    if last is None:
        return False
    best = min(tried, key=lambda one: one.cost)
    return best.widening < ASTRAY and last.cost > best.cost + HOPELESS * best.widening**2
