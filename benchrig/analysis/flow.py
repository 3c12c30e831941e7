"""Open flow: sonic conductance, critical pressure ratio and opening delay from a reservoir that fills through the valve.

The reservoir is bare: what rushes in heats what is there by tens of kelvin, and the wall takes the heat away while the
fill goes on. A constant-temperature formula would be wrong by up to 40 %. So the whole record is fitted at once with the
balance of mass and energy in `benchrig.analysis.reservoir`: conductance C, critical ratio b and the instant of opening are
wanted; the heat transfer (constant part and a part that grows with the inflow), the time that the valve takes to open, the
gas temperature at the start and small errors of the ambient pressure are fitted beside them, each with what is known of
it beforehand. Flow model: ISO 6358-1 with subsonic index 0.5.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from benchrig.analysis.fitting import Fitted, Parameter, block_means, checked_trace, fit, noise_sd, weighed
from benchrig.analysis.gas import GAMMA, R_AIR, flow_function, iso_mass_flow_kg_s, lpm_anr_from_kg_s
from benchrig.analysis.reservoir import USUAL_LAMINAR, Fill, FillCurve, conductance_dm3_s_bar, delayed_s, fill_curve
from benchrig.analysis.results import Bound, Samples

__all__ = ["FlowResult", "analyse_flow"]

LEAST_VACUUM_PA = 2_000.0
LEAST_FALL_SAMPLES = 8
SLOWEST_RESPONSE = 0.15
"""A transducer whose time constant is more than this part of the fill hides it."""
CLOSED_BELOW = 0.03
"""A valve that let in less than this part of the vacuum by the end of the record counts as not opened."""
RATIO_KNOWN_U = 0.12
"""With more uncertainty than this the critical ratio says nothing: valves lie between 0.2 and 0.53."""
USUAL_RATIO, USUAL_RATIO_U = 0.35, 0.2
USUAL_TAU_S, USUAL_TAU_LN_U = 2.0, 0.8
ELLIPSE_U = 0.003
"""What a critical ratio depends on the ellipse that stands for the real curve; an ideal nozzle is off by so much."""
TRAVEL_U_S = 0.004
AMBIENT_U_PA = 15.0
ASTRAY = 1.5
"""A fit whose residuals exceed the noise by more than this is tried again from elsewhere."""
FLOW_POWER, FLOW_POWER_U = 0.8, 0.2
"""Heat transfer by the inflow grows with this power of it: 0.8 in turbulent pipe flow, about 0.7 under jets (from memory)."""
DEPARTURE = 0.003
"""What a real opening's departure from the ISO 6358 curve, about 1 % of its choked flow, does to the pressure during a fill,
as part of the vacuum (engineering judgement). Taken as noise, so that it does not bend the heat transfer and b to its shape."""
INDEX_U = 0.05
"""Spread of the subsonic index m among real openings about 0.5 (from memory)."""
USUAL_LAMINAR_LN_U = 1.0
LAMINAR_LN_START, LAMINAR_LN_FAR = -8.2, -5.5
"""Where the search for the edge of laminar flow begins: from close to ambient it rarely goes astray."""
TAIL_FROM, TAIL_U, TAIL_U_PA = 0.995, 0.03, 3.0
"""Close to ambient the flow of a real valve turns laminar and leaves the ellipse: the difference is trusted to this part."""

REASON_CLOSED = "the reservoir did not fill: the valve did not open"


@dataclass(frozen=True)
class FlowResult:
    """What a fill says about the valve. None: not measured, and `why_not` has the reason under the attribute's name.

    Attributes
    ----------
    sonic_conductance_dm3_s_bar, critical_pressure_ratio, opening_delay_ms, flow_at_rated_vacuum_lpm_anr : float or None
        C and b of ISO 6358-1; time from the change of state to the first inflow; flow in L/min of ISO 8778 reference
        air from ambient into the rated vacuum. Each with its standard uncertainty `..._u`.
    bounds : mapping of str to {"above", "below"}
        For values that are only a bound, by attribute name.
    why_not : mapping of str to str
    thermal_time_constant_s : float or None
        m c_v / G at the start of the fill, as fitted.
    opened : bool or None
        Whether the valve opened; None when the record cannot tell.
    parts : tuple of (str, float)
        Contributions to the uncertainty of C, dm3/(s bar), largest first.
    notes : tuple of str
    fit_time_s, fit_pressure_pa : ndarray, shape (n,)
        The fitted curve at the (thinned) times that were fitted; empty when nothing was.
    """

    sonic_conductance_dm3_s_bar: float | None = None
    sonic_conductance_dm3_s_bar_u: float | None = None
    critical_pressure_ratio: float | None = None
    critical_pressure_ratio_u: float | None = None
    opening_delay_ms: float | None = None
    opening_delay_ms_u: float | None = None
    flow_at_rated_vacuum_lpm_anr: float | None = None
    flow_at_rated_vacuum_lpm_anr_u: float | None = None
    thermal_time_constant_s: float | None = None
    thermal_time_constant_s_u: float | None = None
    opened: bool | None = None
    bounds: Mapping[str, Bound] = field(default_factory=dict)
    why_not: Mapping[str, str] = field(default_factory=dict)
    parts: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()
    fit_time_s: Samples = field(default_factory=lambda: np.empty(0))
    fit_pressure_pa: Samples = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class _Setting:
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
        """`heat_flow` of the balance, 1/s, from what an inflow of 1 g/s adds to the heat conductance of the wall, W/K."""
        full_g_s = 1e3 * max(rate, 0.0) * self.ambient_pa * self.volume_m3 / (R_AIR * self.ambient_k)
        per_w_k = (GAMMA - 1) * self.ambient_k / (self.volume_m3 * self.ambient_pa)
        return per_w_k * inflow_w_k * math.pow(full_g_s, power)

    def conductance(self, rate: float) -> float:
        return conductance_dm3_s_bar(rate, self.volume_m3, self.ambient_k)

    def rated_lpm(self, c: float, b: float, index: float = 0.5) -> float:
        rated_pa = self.ambient_pa - self.rated_vacuum_pa
        return lpm_anr_from_kg_s(iso_mass_flow_kg_s(c, b, self.ambient_pa, rated_pa, self.ambient_k, index))


def analyse_flow(
    time_s: Samples,
    pressure_pa: Samples,
    *,
    volume_m3: float,
    volume_u_m3: float,
    ambient_pa: float,
    ambient_k: float,
    rated_vacuum_pa: float,
    ambient_u_k: float = 0.5,
    start_u_k: float = 1.0,
    thermal_time_constant_s: float | None = None,
    thermal_time_constant_u_s: float | None = None,
    inflow_w_k: float | None = None,
    inflow_u_w_k: float | None = None,
    response_s: float = 0.003,
    pressure_u_pa: float = 0.0,
) -> FlowResult:
    """Conductance, critical ratio and opening delay of a valve from the fill of a reservoir.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        Time since the valve's state was changed, s, strictly increasing, a lead-in with negative times welcome; absolute
        pressure of the reservoir as the transducer shows it, Pa. Several seconds after the fill tell about the heat.
    volume_m3, volume_u_m3 : float
        Volume of the reservoir with its standard uncertainty, m3.
    ambient_pa, ambient_k, ambient_u_k : float
        Ambient pressure as the same transducer shows it, Pa; ambient temperature and its standard uncertainty, K.
    rated_vacuum_pa : float
        Vacuum below ambient at which the flow is wanted, Pa.
    start_u_k : float
        Standard uncertainty of the gas temperature at the start about ambient, K; more after a short wait.
    thermal_time_constant_s, thermal_time_constant_u_s : float, optional
        m c_v / G of the gas at the pressure at the start, from the hold step: prior knowledge only.
    inflow_w_k, inflow_u_w_k : float, optional
        What an inflow of 1 g/s adds to the heat conductance between gas and wall, W/K, and its standard uncertainty: a
        property of the reservoir, so one fill through a known opening tells it for all valves. Without it the fill alone
        must tell heat from flow, which it can hardly do: C stays good, b does not.
    response_s : float
        First-order time constant of the transducer, s; taken out by modelling it.
    pressure_u_pa : float
        Standard uncertainty of the transducer, Pa.

    Returns
    -------
    FlowResult

    Raises
    ------
    ValueError
        Malformed arrays, or a volume, pressure or temperature that is not positive.

    Notes
    -----
    Source: ISO 6358-1:2013 for C, b and the index 0.5; ISO 8778 for the reference air; the balance is that of any text on
    thermodynamics. ISO 6358-2 has a charge test with an isothermal tank; this is not it.

    Examples
    --------
    >>> t = np.linspace(-0.2, 6.0, 6201)
    >>> truth = Fill(rate=0.8, critical_ratio=0.3, heat=0.2, heat_flow=0.0, start=0.4)
    >>> p = 1e5 * fill_curve(truth, 6.0).at(delayed_s(t - 0.010, 0.003)[0])[0]
    >>> found = analyse_flow(t, p, volume_m3=5e-4, volume_u_m3=0.0, ambient_pa=1e5, ambient_k=295.0, rated_vacuum_pa=3e4)
    >>> round(found.sonic_conductance_dm3_s_bar, 3), round(found.critical_pressure_ratio, 3)
    (0.4, 0.3)
    >>> round(found.opening_delay_ms)
    10
    """
    t, p = checked_trace(time_s, pressure_pa)
    for name, value in (("volume_m3", volume_m3), ("ambient_pa", ambient_pa), ("ambient_k", ambient_k)):
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"{name} must be positive, not {value:g}")
    tau_s = thermal_time_constant_s or USUAL_TAU_S
    tau_ln_u = USUAL_TAU_LN_U
    if thermal_time_constant_s:
        tau_ln_u = min(USUAL_TAU_LN_U, math.hypot(0.1, (thermal_time_constant_u_s or 0.3 * tau_s) / tau_s))
    setting = _Setting(
        volume_m3, volume_u_m3, ambient_pa, ambient_k, ambient_u_k, start_u_k, rated_vacuum_pa, response_s, pressure_u_pa,
        tau_s, tau_ln_u, inflow_w_k, inflow_u_w_k or 0.2 * (inflow_w_k or 0.0),
    )  # fmt: skip
    noise_pa = max(noise_sd(p), 0.3)
    before = p[t <= 0] if np.count_nonzero(t <= 0) >= 5 else p[:5]
    start_pa = float(np.mean(before[-100:]))
    vacuum_pa = ambient_pa - start_pa
    if vacuum_pa < max(LEAST_VACUUM_PA, 20 * noise_pa):
        why = f"only {vacuum_pa / 1000:.2f} kPa of vacuum at the start: nothing to open onto"
        return FlowResult(why_not=dict.fromkeys(_WANTED, why), notes=(why,))
    end_pa = float(np.mean(p[-max(5, len(p) // 200) :]))
    if end_pa - start_pa < CLOSED_BELOW * vacuum_pa:
        return _closed(t, p, start_pa, setting)
    return _opened(t, p, start_pa, noise_pa, setting)


_WANTED = (
    "sonic_conductance_dm3_s_bar",
    "critical_pressure_ratio",
    "opening_delay_ms",
    "flow_at_rated_vacuum_lpm_anr",
)


def _closed(t: Samples, p: Samples, start_pa: float, setting: _Setting) -> FlowResult:
    """Result for a valve that lets nothing, or next to nothing, in: conductance from the slope of a line."""
    flowing = t > 0
    x, y = t[flowing], p[flowing]
    slope, offset = np.polyfit(x, y, 1)
    left = y - (slope * x + offset)
    slope_u = float(np.std(left) * math.sqrt(12 / len(x)) / (x[-1] - x[0]))
    shape = float(flow_function(start_pa / setting.ambient_pa, USUAL_RATIO))
    # with no fill to show it, the gas may be anywhere between following the wall and not feeling it
    rate = max(slope, 0.0) / setting.ambient_pa / shape / math.sqrt(GAMMA)
    rate_u = math.hypot(slope_u / setting.ambient_pa / shape, 0.12 * rate)
    c, c_u = setting.conductance(rate), setting.conductance(rate_u)
    lpm = setting.rated_lpm(1.0, USUAL_RATIO)
    length_ms = 1e3 * float(t[-1])
    return FlowResult(
        sonic_conductance_dm3_s_bar=c,
        sonic_conductance_dm3_s_bar_u=c_u,
        opening_delay_ms=length_ms,
        flow_at_rated_vacuum_lpm_anr=c * lpm,
        flow_at_rated_vacuum_lpm_anr_u=c_u * lpm,
        opened=False,
        bounds={"opening_delay_ms": "above"},
        why_not={"critical_pressure_ratio": REASON_CLOSED},
        parts=(("slope of the pressure", setting.conductance(slope_u / setting.ambient_pa)),),
        notes=(f"{REASON_CLOSED} within {length_ms:.0f} ms",),
        fit_time_s=x[[0, -1]],
        fit_pressure_pa=slope * x[[0, -1]] + offset,
    )


def _opened(t: Samples, p: Samples, start_pa: float, noise_pa: float, setting: _Setting) -> FlowResult:
    """Result for a fill."""
    vacuum_pa = setting.ambient_pa - start_pa
    period_s = float(np.median(np.diff(t)))
    away = p - start_pa
    onset = _first_lasting(away > max(0.01 * vacuum_pa, 6 * noise_pa))
    later = np.flatnonzero(away > 0.75 * vacuum_pa)
    fill_s = float(t[later[0]] - t[onset]) if len(later) else float(t[-1] - t[onset])
    falling = int(np.count_nonzero((away > 0.05 * vacuum_pa) & (away < 0.75 * vacuum_pa)))
    reason = ""
    if falling < LEAST_FALL_SAMPLES:
        reason = f"only {falling} samples in the fall of the vacuum; {LEAST_FALL_SAMPLES} are needed: sample faster"
    elif setting.response_s > SLOWEST_RESPONSE * fill_s:
        reason = (
            f"the transducer's time constant of {1e3 * setting.response_s:.1f} ms is too slow for a fill of "
            f"{1e3 * fill_s:.0f} ms; at most {SLOWEST_RESPONSE:.0%} of it"
        )
    if reason:
        return FlowResult(opened=True, why_not=dict.fromkeys(_WANTED, reason), notes=(reason,))
    onset_s = float(t[onset])
    rising = (t >= onset_s) & (away < 0.25 * vacuum_pa)
    slope = float(np.polyfit(t[rising], away[rising], 1)[0]) if np.count_nonzero(rising) > 3 else vacuum_pa / fill_s
    slope = max(slope, 0.3 * vacuum_pa / fill_s)
    opened_s = onset_s - float(away[onset]) / slope - setting.response_s
    x, y, n = _thinned(t, p, (opened_s, onset_s), fill_s, period_s)
    tail_u_pa = np.hypot(TAIL_U * (setting.ambient_pa - y), TAIL_U_PA)
    close_to_ambient = y > TAIL_FROM * setting.ambient_pa
    sd = np.hypot(noise_pa / np.sqrt(n), np.where(close_to_ambient, tail_u_pa, 0.0))
    fitted, delay_s, curve = _fit_fill(x, y, sd, opened_s, slope, start_pa, (noise_pa, period_s), setting)
    return _result(x, curve, fitted, delay_s, setting)


def _first_lasting(above: npt.NDArray[np.bool_]) -> int:
    """Index of the first of five samples in a row that are true; the first true one when there is no such run."""
    run = np.convolve(above, np.ones(5), mode="valid") >= 5
    return int(np.argmax(run)) if run.any() else int(np.argmax(above))


def _thinned(
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


def _fit_fill(
    x: Samples,
    y: Samples,
    sd: Samples,
    opened_s: float,
    slope: float,
    start_pa: float,
    noise: tuple[float, float],
    setting: _Setting,
) -> tuple[Fitted, tuple[float, float], Samples]:
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
    return weighed(plain, freer), delay, model(likelier.values)


def _from_usual_laminar(q: Parameter) -> Parameter:
    return replace(q, late=False, start=q.prior if q.name == "laminar_ln" else q.start)


def _opening(model: _Model, y: Samples, sd: Samples, fitted: Fitted, travel_s: float) -> tuple[float, float]:
    """Instant of opening and its standard uncertainty, s, over all times that the valve may have taken to open.

    How slowly a valve opens shows only in the bend of the first milliseconds, and about as weakly for every time up to a
    few `travel_s`: the most likely one says little. So each is tried, and weighed by how well it fits.
    """
    q = dict(fitted.values)
    names = list(q)
    at, beside = names.index("opened_s"), names.index("travel_s")
    c = fitted.covariance
    alone_u = math.sqrt(max(c[at, at] - c[at, beside] ** 2 / c[beside, beside], 0.0))
    travels = np.unique(np.maximum(q["travel_s"] + 0.5 * travel_s * np.arange(-8, 9), 0.0))
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

    def __init__(self, time_s: Samples, setting: _Setting) -> None:
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


def _result(x: Samples, curve: Samples, fitted: Fitted, delay_s: tuple[float, float], setting: _Setting) -> FlowResult:
    q = fitted.values
    c, b = setting.conductance(q["rate"]), q["critical_ratio"]
    scale_u = {
        "volume of the reservoir": setting.volume_u_m3 / setting.volume_m3,
        "pressure transducer": setting.pressure_u_pa / setting.ambient_pa,
        "ambient temperature": 0.5 * setting.ambient_u_k / setting.ambient_k,
    }
    fit_u = setting.conductance(fitted.u("rate"))
    parts = {"fit of the fill, heat transfer included": fit_u, **{name: c * u for name, u in scale_u.items()}}
    scale = math.sqrt(sum(u * u for u in scale_u.values()))
    index = q.get("index", 0.5)
    lpm = setting.rated_lpm(c, b, index)
    leaning = {"rate": lpm / q["rate"], "critical_ratio": (setting.rated_lpm(c, b + 1e-4, index) - lpm) / 1e-4}
    if "index" in q:
        leaning["index"] = (setting.rated_lpm(c, b, index + 1e-4) - lpm) / 1e-4
    lpm_u = fitted.u_of(leaning)
    b_u = math.hypot(fitted.u("critical_ratio"), ELLIPSE_U)
    tau_s = math.exp(q["tau_ln"])
    why_not = {}
    notes = []
    if b_u > RATIO_KNOWN_U:
        why_not["critical_pressure_ratio"] = (
            f"cannot be resolved from this fill: standard uncertainty {b_u:.2f}, at most {RATIO_KNOWN_U} is of use"
        )
        notes.append(f"critical pressure ratio {why_not['critical_pressure_ratio']}")
    if fitted.widening > 2:
        notes.append(f"the fill departs from the model: uncertainties widened {fitted.widening:.1f} times")
    return FlowResult(
        sonic_conductance_dm3_s_bar=c,
        sonic_conductance_dm3_s_bar_u=math.hypot(fit_u, c * scale),
        critical_pressure_ratio=None if why_not else b,
        critical_pressure_ratio_u=None if why_not else b_u,
        opening_delay_ms=1e3 * delay_s[0],
        opening_delay_ms_u=1e3 * delay_s[1],
        flow_at_rated_vacuum_lpm_anr=lpm,
        flow_at_rated_vacuum_lpm_anr_u=math.hypot(lpm_u, lpm * scale),
        thermal_time_constant_s=tau_s,
        thermal_time_constant_s_u=tau_s * fitted.u("tau_ln"),
        opened=True,
        why_not=why_not,
        parts=tuple(sorted(parts.items(), key=lambda part: -part[1])),
        notes=tuple(notes),
        fit_time_s=x,
        fit_pressure_pa=curve,
    )
