"""The fits of a rising pressure: a slow leak beside the recovery of the gas, and a gross one that is soon over.

Split from `benchrig.analysis.hold`, which says what they are for and turns a fit into results.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchrig.analysis.averaging import averaged, either, weighed
from benchrig.analysis.explanations import Explained, component_of, explained, not_below
from benchrig.analysis.fitting import Fitted, Parameter, block_means, fit
from benchrig.analysis.gas import CRITICAL_RATIO_NOZZLE, GAMMA, flow_function, sccm_from_pv_flow
from benchrig.analysis.goodness import FALSE_ALARM, Goodness, goodness_of, goodness_of_fit, resolution_pa
from benchrig.analysis.reservoir import USUAL_LAMINAR, Fill, FillCurve, delayed_s, fill_curve
from benchrig.analysis.results import Samples
from benchrig.analysis.slow_rise import ROUNDS, WET_ODDS, Component, SlowRise, slow_rise

__all__ = ["FEW_SAMPLES", "LeakFit", "LeakSetting", "gross_leak", "usual_leak"]

SETTLED_S = 0.05
"""Relays and the isolation valve are at rest so long after the command (a slow small valve takes 30 ms)."""
BLOCKS = 200
ORIFICE = (0.7, 0.25, 0.0, 1.05)
LAMINAR = (-1.0, 0.15, -1.0, -0.5)
"""How the leak's flow falls with the vacuum: 1 is a nozzle, 0.4 an ellipse with b = 0.2, 0 one with b = 0, -1
laminar. Shape expected, its standard uncertainty and its ends, of a leak through a hole and through a long narrow
gap."""
BINS = (0.7, 0.9, 1.0, 0.5, 0.3, 0.1)
"""Shapes about which a gross leak through a hole is fitted, each within a tenth: over the whole range the corner where
the flow leaves the choked part makes many valleys. In the order of trying: up from the middle, then down."""
FEW_SAMPLES = 6
"""A vacuum of which half is gone within so few samples tells nothing of the shape."""
LAMINAR_ODDS = 0.2
"""A long narrow gap is so likely beforehand, over a hole (engineering judgement)."""
SHAPE_SHOWS = 0.008
"""A rise by more than this part of ambient pressure depends on the shape: both kinds of leak are then tried."""
ASTRAY = 1.5
"""A fit whose residuals exceed the noise by more than this is tried again from elsewhere."""
LAMINAR_LN, LAMINAR_LN_U = math.log(USUAL_LAMINAR) - 0.7, 1.2
"""Logarithm of the part of ambient below which a flow is proportional to its pressure difference; matters to gross
leaks."""
COLD_PART, COLD_LEAST = 0.38, 0.003
"""Gas starts colder than the wall by about this part of what pumping without any heat from the wall would cool it by
(66 K down to 41 kPa, of which 25 K), and within about this part of ambient temperature anyway."""
CONVECTION_U, CONVECTION_ODDS = 0.25, 0.03
"""A recovery may slow down as in free convection, where the heat transfer falls with the temperature difference. A
wall that conducts gives a plain exponential instead; both are fitted, and each counts as much as the record bears it
out: thirty to one for the plain one, before that, since the little that a short record says about the difference
would otherwise cost it most of its precision (engineering judgement)."""
AMBIENT_U_PA = 15.0
QUESTIONED, SUSPECTED = 0.02, 0.01
"""Look closely for a rise that saturates where the fit is so improbable, or such a rise so probable."""
MOST_WET_PA = 12_000.0
"""Vapour of residual fuel that ends at more is none (engineering judgement: it makes 0.2 to 10 kPa)."""
HOPELESS = 100.0
"""A shape that raises chi-square by so much is wrong, and one beyond it more so."""
FAR_U = 5.0
"""An ambient pressure that a fit moves by so many standard uncertainties is none."""
LEAST_LEAK_PER_S = 2e-6
"""Leaks are not negative; one of this many ambient pressures per second is, for drift and noise, nearly as good as
zero."""


@dataclass(frozen=True)
class LeakSetting:
    """What the fits need to know about the bench; SI units, leaks in sccm, `_u` for standard uncertainties."""

    volume_m3: float
    volume_u_m3: float
    ambient_pa: float
    ambient_k: float
    ambient_u_k: float
    background_sccm: float
    background_u_sccm: float
    pressure_u_rel: float
    pressure_u_pa: float
    tau_s: float
    tau_ln_u: float
    response_s: float
    wet_odds: float = WET_ODDS

    def sccm(self, rate_pa_s: float) -> float:
        """Leak that makes gas at ambient temperature rise by so much per second."""
        return sccm_from_pv_flow(self.volume_m3 * rate_pa_s, self.ambient_k)


@dataclass(frozen=True)
class LeakFit:
    """A fitted rise.

    Attributes
    ----------
    fitted : Fitted
        Over all models tried; `start` and `leak` count in ambient pressures, `leak` per second.
    likelier : Fitted
        The likeliest one of them.
    x, sd, curve : ndarray, shape (n,)
        Times of the block means, s, their standard deviations and the curve of the likeliest model, Pa.
    at_least_sccm : float
        What a gross leak certainly exceeds; 0 for others.
    goodness : Goodness or None
        Of the likeliest explanation.
    explained : Explained or None
        Leak over all explanations; None for gross leaks, which have one.
    slow : SlowRise or None
        The rise that saturates, where it was looked for.
    half_s, period_s : float
        Of a gross leak: after how long half of the vacuum was gone, s; and the time between samples, s.
    beyond_ambient_pa : float
        By how much more than is plausible the fit of a gross leak ends above (or below) ambient pressure, Pa; 0: it
        does not.
    """

    fitted: Fitted
    likelier: Fitted
    x: Samples
    sd: Samples
    curve: Samples
    at_least_sccm: float = 0.0
    goodness: Goodness | None = None
    explained: Explained | None = None
    slow: SlowRise | None = None
    half_s: float = 0.0
    period_s: float = 0.0
    beyond_ambient_pa: float = 0.0


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
    x, y, n = block_means(t, p, settled_s + (1e-9 + end_s - settled_s) * grid**1.5)
    start = float(y[0]) / setting.ambient_pa
    late = x > 0.5 * end_s
    slope = float(np.polyfit(x[late], y[late], 1)[0]) / setting.ambient_pa
    cold = min(max((float(y[-1] - y[0]) / setting.ambient_pa - slope * end_s) / start, -0.1), 0.3)
    model = _Model(x, end_s, setting)
    sd, coarse = _block_sd(p, noise_pa, n)
    rises = slope * end_s > SHAPE_SHOWS

    def beginning(shape: tuple[float, float, float, float]) -> list[Parameter]:
        expected, u, low, high = shape
        return [
            Parameter("start", start, 1e-6),
            Parameter("leak", slope, 1e-6),
            Parameter("warmth", 1 - cold, 1e-5, prior=1.0, prior_u=_cold_u(start), low=0.6, high=1.2),
            Parameter("tau_ln", math.log(setting.tau_s), 1e-3, math.log(setting.tau_s), setting.tau_ln_u, -3.0, 4.0),
            Parameter("shape", expected, 1e-3, expected, u, low, high, late=True),
        ]

    ways: list[tuple[Fitted, float]] = []
    fitted, likelier = _weighed_recoveries(model, y, sd, beginning(ORIFICE), slope, setting, ways)
    if rises:
        # a gap that does not fit where a hole does is not worth a search
        thorough = likelier.widening > ASTRAY
        gaps: list[tuple[Fitted, float]] = []
        gap, likelier_gap = _weighed_recoveries(
            model, y, sd, beginning(LAMINAR), slope, setting, gaps, thorough=thorough
        )
        ways += [(one, odds + math.log(LAMINAR_ODDS)) for one, odds in gaps]
        if gap.cost < fitted.cost:
            likelier = likelier_gap
        fitted = either(fitted, gap, LAMINAR_ODDS)
    good = goodness_of_fit(likelier, sd, coarse=coarse)
    return _explained(LeakFit(fitted, likelier, x, sd, model(likelier.values)), good, model, y, ways, coarse, setting)


def _cold_u(start: float) -> float:
    """How cold gas may be at the beginning, as part of ambient temperature, from its pressure over ambient."""
    return math.hypot(COLD_PART * (1 - min(start, 1.0) ** (1 - 1 / GAMMA)), COLD_LEAST)


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
    model: _Model,
    y: Samples,
    ways: list[tuple[Fitted, float]],
    coarse: bool,
    setting: LeakSetting,
) -> LeakFit:
    """Ask whether a rise that saturates explains the record better, and average over what remains."""
    x, sd = leak.x, leak.sd

    def plain(noise: float) -> list[Component]:
        return [not_below(component_of(one, sd, noise, odds), 0.0, LEAST_LEAK_PER_S, cut=False) for one, odds in ways]

    def together(noise: float, slow: list[tuple[SlowRise, float]]) -> Explained:
        more = [
            not_below(replace(c, log_evidence=c.log_evidence + odds, log_odds=odds), 0.0, LEAST_LEAK_PER_S, cut=True)
            for rise, odds in slow
            for c in rise.components
        ]
        return explained([*plain(noise), *more])

    def closer(parameters: Sequence[Parameter], values: dict[str, float], **how: Any) -> SlowRise:
        return slow_rise(model, x, y, sd * noise, parameters, values, wet_odds=setting.wet_odds, **how)

    noise = good.widening
    if good.p > QUESTIONED and good.slow == 0.0:
        near = [way for way in ways if way[0].cost < leak.likelier.cost + 100 * noise**2]
        screened = [(closer(one.parameters, one.values, jacobian=one.jacobian, rounds=0), odds) for one, odds in near]
        everything = together(noise, screened)
        if everything.slow_probability < SUSPECTED:
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
    if everything.slow_probability > 0.5:
        good = goodness_of(slow.residual * noise, slow.jacobian * noise, slow.weight, coarse=coarse)
        leak = replace(leak, curve=slow.curve, fitted=_with(slow, leak.fitted, good.widening / noise))
    return replace(leak, goodness=good, explained=everything, slow=slow)


def _closely(one: Fitted, model: _Model, x: Samples, y: Samples, sd: Samples, setting: LeakSetting) -> SlowRise:
    """Search for a rise that saturates, from the fit without and, if that leads nowhere, from what is expected."""
    rise = slow_rise(model, x, y, sd, one.parameters, one.values, one.jacobian)
    if rise.cost > ASTRAY * len(x):
        begin = {q.name: q.prior if np.isfinite(q.prior_u) else one.values[q.name] for q in one.parameters}
        begin |= {
            "start": float(y[0]) / setting.ambient_pa,
            "leak": 0.0,
            "warmth": 1 - 0.5 * _cold_u(one.values["start"]),
        }
        other = slow_rise(model, x, y, sd, one.parameters, begin, rounds=2 * ROUNDS)
        rise = min(rise, other, key=lambda each: each.cost)
    return rise


def _with(slow: SlowRise, fitted: Fitted, wide: float) -> Fitted:
    """The fit's parameters as they are beside a rise that saturates."""
    k = len(fitted.values)
    normal = slow.jacobian.T @ slow.jacobian + np.diag(slow.weight)
    size = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal * np.outer(size, size), rcond=1e-13, hermitian=True) * np.outer(size, size)
    values = {name: slow.values[name] for name in fitted.values}
    return replace(fitted, values=values, covariance=inverse[:k, :k], residual=slow.residual, widening=max(wide, 1.0))


def _weighed_recoveries(
    model: _Model,
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


def _hopeless(last: Fitted | None, tried: list[Fitted]) -> bool:
    """Whether a shape beyond the last one is not worth a search: another fits, and does so far better."""
    if last is None:
        return False
    best = min(tried, key=lambda one: one.cost)
    return best.widening < ASTRAY and last.cost > best.cost + HOPELESS * best.widening**2


def _leaking(q: dict[str, float]) -> Fill:
    """The fill of a leak; `leak` is the isothermal rise at the start over ambient pressure, 1/s."""
    # index 0.5 is the ellipse of ISO 6358-1; b = 0 with index 1 is the flow of a long narrow gap, 1 - r^2
    critical_ratio, index = CRITICAL_RATIO_NOZZLE * max(q["shape"], 0.0), 0.5 - 0.5 * min(q["shape"], 0.0)
    part = max(float(flow_function(q["start"], critical_ratio, index)), 1e-3)
    heat = q["start"] / q["warmth"] / math.exp(q["tau_ln"])
    convection = q.get("convection", 0.0)
    return Fill(
        q["leak"] / part,
        critical_ratio,
        heat,
        0.0,
        q["start"],
        q["warmth"],
        convection=convection,
        index=index,
        laminar=math.exp(q.get("laminar_ln", LAMINAR_LN)),
    )


class _Model:
    """Parameters to the pressures shown at given times."""

    def __init__(self, time_s: Samples, end_s: float, setting: LeakSetting) -> None:
        self._time_s, self._end_s, self._setting = time_s, end_s, setting
        self._curve: FillCurve | None = None

    def __call__(self, q: dict[str, float], aside: bool = False) -> Samples:
        curve = fill_curve(_leaking(q), self._end_s, like=self._curve if aside else None)
        if not aside:
            self._curve = curve
        if "shut_s" not in q:
            return self._setting.ambient_pa * curve.at(self._time_s)[0]
        when, _ = delayed_s(self._time_s - q["shut_s"], self._setting.response_s)
        return self._setting.ambient_pa * (1 + q["ambient"]) * curve.at(when)[0]


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

    model = _Model(x, last_s - first_s, setting)
    ambient_u = math.hypot(AMBIENT_U_PA, 0.3 * setting.pressure_u_pa) / setting.ambient_pa
    sd = np.hypot(noise_pa / np.sqrt(n), np.where(y > 0.998 * setting.ambient_pa, 0.03 * (setting.ambient_pa - y), 0.0))

    def beginning(kind: tuple[float, float, float, float], near: float, half_wide: float) -> list[Parameter]:
        shape, shape_u, low, high = kind
        low, high = max(low, near - half_wide), min(high, near + half_wide)
        return [
            Parameter("start", start, 1e-6),
            Parameter("leak", rate, 1e-5 * rate, low=0.0),
            Parameter("warmth", 1 - 0.5 * _cold_u(start), 1e-5, prior=1.0, prior_u=_cold_u(start), low=0.6, high=1.2),
            Parameter("tau_ln", math.log(setting.tau_s), 1e-3, math.log(setting.tau_s), setting.tau_ln_u, -3.0, 4.0),
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
        more = [replace(c, log_evidence=c.log_evidence + odds, log_odds=odds) for c in slow.components]
    everything = explained([*ways, *more]) if told else None
    if everything is not None and everything.slow_probability < 0.5:
        good, beyond_ambient_pa = alone  # what vapour would mend is not mended by vapour that is not believed
    if everything is None or everything.slow_probability < SUSPECTED:
        slow, everything = None, explained(ways) if told else None
    fitted = averaged([one for one, _ in tried], [way.log_evidence for way in ways]) if told else likelier
    # half of the vacuum went in no more than this: on average, so that the leak at the start was larger
    vapour_pa = max(slow.amplitude_pa, 0.0) if slow is not None else 0.0
    filled_pa = max(0.5 * vacuum_pa - vapour_pa, 0.0)
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
