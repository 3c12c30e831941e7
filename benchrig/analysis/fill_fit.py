"""The fit of a fill: samples, parameters and what is known of them, two models of the heat, and when it began.

Split from `benchrig.analysis.flow`, which says what it is for and turns the fit into results.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.averaging import weighed
from benchrig.analysis.fitting import Fitted, Parameter, block_means, fit
from benchrig.analysis.gas import GAMMA, R_AIR, flow_function, iso_mass_flow_kg_s, lpm_anr_from_kg_s
from benchrig.analysis.reservoir import USUAL_LAMINAR, Fill, FillCurve, conductance_dm3_s_bar, delayed_s, fill_curve
from benchrig.analysis.results import Samples
from benchrig.analysis.smoothing import distinct

__all__ = ["USUAL_RATIO", "USUAL_TAU_LN_U", "USUAL_TAU_S", "Setting", "fit_fill", "thinned"]

USUAL_RATIO, USUAL_RATIO_U = 0.35, 0.2
USUAL_TAU_S, USUAL_TAU_LN_U = 2.0, 0.8
TRAVEL_U_S = 0.004
AMBIENT_U_PA = 15.0
ASTRAY = 1.5
"""A fit whose residuals exceed the noise by more than this is tried again from elsewhere."""
FLOW_POWER, FLOW_POWER_U = 0.8, 0.2
"""Heat transfer by the inflow grows with this power of it: 0.8 in turbulent pipe flow, about 0.7 under jets (from
memory)."""
DEPARTURE = 0.004
"""What a real opening's departure from the ISO 6358 curve, about 1 % of its choked flow, does to the pressure during
a fill, as part of the vacuum (engineering judgement). Taken as noise, so that it does not bend the heat transfer and
b to its shape."""
INDEX_U = 0.05
"""Spread of the subsonic index m among real openings about 0.5 (from memory)."""
GROWING_ODDS = 10.0
"""Heat transfer that grows with the inflow is so likely beforehand, over one that does not (engineering judgement)."""
USUAL_LAMINAR_LN_U = 1.0
LAMINAR_LN_START, LAMINAR_LN_FAR = -8.2, -5.5
"""Where the search for the edge of laminar flow begins: from close to ambient it rarely goes astray."""


@dataclass(frozen=True)
class Setting:
    """Everything about the bench that the fit needs."""

    volume_m3: float
    volume_u_m3: float
    ambient_pa: float
    ambient_k: float
    ambient_u_k: float
    start_u_k: float
    rated_vacuum_pa: float
    response_s: float
    pressure_u_pa: float
    tau_s: float
    tau_ln_u: float
    inflow_w_k: float | None
    inflow_u_w_k: float

    def heat_by_inflow(self, rate: float, inflow_w_k: float, power: float) -> float:
        """`heat_flow` of the balance, 1/s, from what an inflow of 1 g/s adds to the wall's conductance, W/K."""
        full_g_s = 1e3 * max(rate, 0.0) * self.ambient_pa * self.volume_m3 / (R_AIR * self.ambient_k)
        per_w_k = (GAMMA - 1) * self.ambient_k / (self.volume_m3 * self.ambient_pa)
        return per_w_k * inflow_w_k * math.pow(full_g_s, power)

    def conductance(self, rate: float) -> float:
        """C in dm3/(s bar) from the isothermal filling rate, 1/s."""
        return conductance_dm3_s_bar(rate, self.volume_m3, self.ambient_k)

    def rated_lpm(self, c: float, b: float, index: float = 0.5) -> float:
        """Flow at the rated vacuum, L/min ANR, from C in dm3/(s bar), b and the subsonic index."""
        rated_pa = self.ambient_pa - self.rated_vacuum_pa
        return lpm_anr_from_kg_s(iso_mass_flow_kg_s(c, b, self.ambient_pa, rated_pa, self.ambient_k, index))


def thinned(
    t: Samples, p: Samples, opening_s: tuple[float, float], fill_s: float, period_s: float
) -> tuple[Samples, Samples, Samples]:
    """Block means: narrow blocks about the opening, then blocks short enough for the curve to be straight in each."""
    first_s, last_s = opening_s[0] - 0.015, opening_s[1] + 0.010
    narrow = max(period_s, 0.001, (last_s - first_s) / 60)
    wide = max(fill_s / 60, period_s)
    edges = [max(float(t[0]), first_s - 0.4)]
    while edges[-1] < t[-1] + period_s:
        at = edges[-1]
        if at < first_s:
            step = max(period_s, min(0.05, first_s - at))
        elif at < last_s:
            step = narrow
        else:
            step = min(wide * max(1.0, (at - last_s) / (2 * fill_s)), max(t[-1] / 50, period_s))
        edges.append(at + step)
    return block_means(t, p, np.array(edges) - period_s / 2)


def fit_fill(
    x: Samples,
    y: Samples,
    sd: Samples,
    opened_s: float,
    slope: float,
    start_pa: float,
    noise: tuple[float, float],
    setting: Setting,
) -> tuple[Fitted, tuple[float, float], Samples]:
    """Fit a fill to thinned samples.

    Parameters
    ----------
    x, y, sd : ndarray, shape (n,)
        Times, s, pressures, Pa, and their standard deviations.
    opened_s, slope, start_pa : float
        First guesses: instant of opening, s, slope of the first rise, Pa/s, pressure before it, Pa.
    noise : tuple of float
        Standard deviation of a single sample, Pa, and the time between samples, s.
    setting : Setting

    Returns
    -------
    Fitted
        The parameters with their covariance, over both models of the heat.
    tuple of float
        Instant of opening and its standard uncertainty, s.
    ndarray, shape (n,)
        The fitted curve, Pa.
    """
    noise_pa, period_s = noise
    start = start_pa / setting.ambient_pa
    rate = slope / setting.ambient_pa / GAMMA / float(flow_function(start + 0.1, USUAL_RATIO))
    heat = start / setting.tau_s
    grows_u = math.hypot(3 * heat, 0.5 * rate)
    # the travel of an opening whose bend just stands out of the noise: what is quicker looks like a mere delay
    travel_s = min(max((256 * noise_pa**2 * period_s / slope**2) ** (1 / 3), 1e-4), TRAVEL_U_S)
    ambient_u = math.hypot(AMBIENT_U_PA, 0.3 * setting.pressure_u_pa) / setting.ambient_pa
    parameters = (
        Parameter("opened_s", opened_s, 1e-5, low=float(x[0])),
        Parameter("travel_s", travel_s, 1e-4, 0.0, TRAVEL_U_S, low=0.0, high=10 * TRAVEL_U_S, span=travel_s),
        Parameter("ambient", 0.0, 1e-6, prior=0.0, prior_u=ambient_u, late=True),
        Parameter("rate", rate, 1e-4 * rate, low=0.05 * rate, high=20 * rate),
        Parameter("critical_ratio", USUAL_RATIO, 1e-4, prior=USUAL_RATIO, prior_u=USUAL_RATIO_U, low=0.02, high=0.65),
        Parameter("tau_ln", math.log(setting.tau_s), 1e-3, math.log(setting.tau_s), setting.tau_ln_u, -3.0, 4.0),
        Parameter(
            "laminar_ln",
            LAMINAR_LN_START,
            1e-2,
            math.log(USUAL_LAMINAR),
            USUAL_LAMINAR_LN_U,
            -10.0,
            -4.0,
            late=True,
        ),
        Parameter("start", start, 1e-5, late=True),
        Parameter(
            "start_warmth", 1.0, 1e-4, 1.0, max(setting.start_u_k, 1e-3) / setting.ambient_k, 0.8, 1.2, late=True
        ),
    )
    growing = (
        Parameter("heat_flow", 0.3 * grows_u, 1e-3 * grows_u, 0.0, grows_u, 0.0, 10 * grows_u),
        Parameter("flow_power", FLOW_POWER, 1e-2, FLOW_POWER, FLOW_POWER_U, 0.2, 1.6, late=True),
    )
    model = _Model(x, setting)
    soft = (0.005 * setting.ambient_pa, 0.0005 * setting.ambient_pa)
    vacuum_pa = setting.ambient_pa - start_pa
    loose = np.hypot(sd, DEPARTURE * vacuum_pa)
    index = Parameter("index", 0.5, 1e-3, 0.5, INDEX_U, 0.35, 0.9)
    if setting.inflow_w_k is not None:
        known, u = setting.inflow_w_k, max(setting.inflow_u_w_k, 1e-6)
        told = (Parameter("inflow_w_k", known, 1e-3 * max(known, u), known, u, 0.0, known + 10 * u), growing[1], index)
        fitted = fit(model, y, loose, (*parameters, *told), soft_sd=soft)
        return fitted, _opening(model, y, sd, fitted, travel_s), model(fitted.values)
    plain = fit(model, y, sd, parameters, soft_sd=soft)
    if plain.widening > ASTRAY:
        # a second valley: the flow turning laminar far from ambient, with the rest of the tail bent to suit
        begin = [replace(q, start=LAMINAR_LN_FAR) if q.name == "laminar_ln" else q for q in parameters]
        other = fit(model, y, sd, begin, soft_sd=soft)
        plain = min(plain, other, key=lambda fitted: fitted.cost)
    if plain.widening < ASTRAY:
        begin = [replace(q, start=plain.values[q.name]) for q in parameters]
        freer = fit(model, y, sd, (*begin, *growing))
        if freer.cost > plain.cost + 1:
            little = (replace(growing[0], start=0.1 * grows_u), growing[1])
            freer = fit(model, y, sd, (*begin, *little))
    else:
        freer = fit(model, y, sd, [_from_usual_laminar(q) for q in (*parameters, *growing)], soft_sd=soft)
        if freer.widening > ASTRAY:
            other = fit(model, y, sd, (*parameters, *growing), soft_sd=soft)
            freer = min(freer, other, key=lambda fitted: fitted.cost)
    likelier = min(plain, freer, key=lambda fitted: fitted.cost)
    if likelier.widening > ASTRAY:
        wide = replace(growing[0], prior_u=3 * grows_u, high=30 * grows_u)
        likelier = fit(model, y, loose, (*parameters, wide, growing[1], index), soft_sd=soft)
        return likelier, _opening(model, y, sd, likelier, travel_s), model(likelier.values)
    delay = _opening(model, y, sd, likelier, travel_s)
    return weighed(plain, freer, GROWING_ODDS), delay, model(likelier.values)


def _from_usual_laminar(q: Parameter) -> Parameter:
    return replace(q, late=False, start=q.prior if q.name == "laminar_ln" else q.start)


def _opening(model: _Model, y: Samples, sd: Samples, fitted: Fitted, travel_s: float) -> tuple[float, float]:
    """Instant of opening and its standard uncertainty, s, over all times that the valve may have taken to open.

    How slowly a valve opens shows only in the bend of the first milliseconds, and about as weakly for every time up
    to a few `travel_s`: the most likely one says little. So each is tried, and weighed by how well it fits.
    """
    q = dict(fitted.values)
    names = list(q)
    at, beside = names.index("opened_s"), names.index("travel_s")
    c = fitted.covariance
    alone_u = math.sqrt(max(c[at, at] - c[at, beside] ** 2 / c[beside, beside], 0.0))
    travels = distinct(np.maximum(q["travel_s"] + 0.5 * travel_s * np.arange(-8, 9), 0.0))
    opened, costs = np.empty(len(travels)), np.empty(len(travels))
    model(fitted.values)
    for i, travel in enumerate(travels):
        there = {**q, "travel_s": float(travel), "opened_s": q["opened_s"] - 0.5 * (float(travel) - q["travel_s"])}
        for _ in range(3):
            now = model(there, True)
            slope = (model({**there, "opened_s": there["opened_s"] + 1e-5}, True) - now) / 1e-5 / sd
            there["opened_s"] += float(slope @ ((y - now) / sd)) / float(slope @ slope)
        opened[i] = there["opened_s"]
        left = (y - model(there, True)) / sd
        costs[i] = float(left @ left) / fitted.widening**2 + (travel / TRAVEL_U_S) ** 2
    weights = np.exp(-(costs - costs.min()) / 2)
    weights *= np.gradient(travels)
    weights /= weights.sum()
    mean = float(weights @ opened)
    return mean, math.sqrt(float(weights @ (opened - mean) ** 2) + alone_u**2)


class _Model:
    """Parameters to the pressures shown at given times; keeps the curve while only the timing changes."""

    def __init__(self, time_s: Samples, setting: Setting) -> None:
        self._time_s = time_s
        self._setting = setting
        self._end_s = float(time_s[-1] - min(0.0, time_s[0]))
        self._fill: Fill | None = None
        self._planned_for: Fill | None = None
        self._curve: FillCurve | None = None

    def __call__(self, q: Mapping[str, float], aside: bool = False) -> Samples:
        heat = q["start"] / q["start_warmth"] / math.exp(q["tau_ln"])
        heat_flow = q.get("heat_flow", 0.0)
        if "inflow_w_k" in q:
            heat_flow = self._setting.heat_by_inflow(q["rate"], q["inflow_w_k"], q["flow_power"])
        fill = Fill(
            q["rate"],
            q["critical_ratio"],
            heat,
            heat_flow,
            q["start"],
            q["start_warmth"],
            laminar=math.exp(q["laminar_ln"]),
            flow_power=q.get("flow_power", 1.0),
            index=q.get("index", 0.5),
        )
        curve = self._curve
        if curve is None or self._fill is None or fill != self._fill:
            keep = aside or (self._planned_for is not None and fill.resembles(self._planned_for))
            curve = fill_curve(fill, self._end_s, like=curve if keep else None)
            if not keep:
                self._planned_for = fill
        if not aside:
            self._fill, self._curve = fill, curve
        response_s = self._setting.response_s
        when, _ = delayed_s(self._time_s - q["opened_s"], response_s, q["travel_s"])
        ratio, _, bend = curve.at(when)
        # the delayed time has the first order of the smoothing; this is what is left of the second
        smoothed = ratio + 0.5 * response_s**2 * np.where(when > 3 * response_s, bend, 0.0)
        return self._setting.ambient_pa * (1 + q["ambient"]) * smoothed
