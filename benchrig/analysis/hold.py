"""Hold vacuum: what leaks into a shut-off reservoir, told apart from the gas in it warming up again.

Pumping down cools the gas; afterwards the wall warms it, and the pressure rises as if something leaked: 14 K at 41
kPa in half a litre look like the leak of a minute. One fit of the mass and energy balance
(`benchrig.analysis.reservoir`) takes both apart: the leak goes on, the recovery dies away with its time constant. The
flow of the leak falls as the pressure rises past the critical ratio (ISO 6358-1), so that a gross leak, whose curve
is no straight line, is fitted just the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from benchrig.analysis.fitting import (
    Fitted,
    Parameter,
    block_means,
    check_positive,
    checked_trace,
    fit,
    noise_sd,
    time_constant_prior,
    weighed,
)
from benchrig.analysis.gas import (
    CRITICAL_RATIO_NOZZLE,
    GAMMA,
    flow_function,
    orifice_mm,
    pv_flow_pa_m3_s_from_sccm,
    sccm_from_pv_flow,
)
from benchrig.analysis.reservoir import USUAL_LAMINAR, Fill, FillCurve, delayed_s, fill_curve
from benchrig.analysis.results import Bound, Samples

__all__ = ["HoldResult", "analyse_hold"]

SETTLED_S = 0.05
"""Relays and the isolation valve are at rest so long after the command (a slow small valve takes 30 ms)."""
LEAST_VACUUM_PA = 50.0
GROSS_FALL = 0.3
"""The vacuum fell by more than this part: a gross leak, whose beginning matters and is fitted too."""
BLOCKS = 200
RESPONSE_S = 0.003
USUAL_SHAPE, USUAL_SHAPE_U = 0.5, 0.6
"""How the leak's flow falls with the vacuum: 1 is a nozzle, 0.4 an ellipse with b = 0.2, 0 one with b = 0, -1
laminar."""
USUAL_TAU_S, USUAL_TAU_LN_U = 2.5, 0.7
ASTRAY = 1.5
"""A fit whose residuals exceed the noise by more than this is tried again from elsewhere."""
LAMINAR_LN, LAMINAR_LN_U = math.log(USUAL_LAMINAR) - 0.7, 1.2
"""Logarithm of the part of ambient below which a flow is proportional to its pressure difference; matters to gross
leaks."""
COLD_U_K = 25.0
"""The gas starts within about this of the wall: pumping to 41 kPa without any heat from the wall would cool by 66 K."""
CONVECTION_U, CONVECTION_ODDS = 0.25, 0.03
"""A recovery may slow down as in free convection, where the heat transfer falls with the temperature difference. A
wall that conducts gives a plain exponential instead; both are fitted, and each counts as much as the record bears it
out: thirty to one for the plain one, before that, since the little that a short record says about the difference
would otherwise cost it most of its precision (engineering judgement)."""
AMBIENT_DRIFT_U_K_S = 0.03 / 60
"""Ambient temperature wanders by this while nobody looks, standard uncertainty: common practice, no source."""
AMBIENT_U_PA = 15.0
BOUND_FROM_U = 0.3
"""A gross leak known no better than this is given as a bound."""
KNOWN_SCCM, KNOWN_PART = 0.3, 0.03


@dataclass(frozen=True)
class HoldResult:
    """The leak, at the state just after shutting off, with what else the curve says. None: not measured, see `notes`.

    Attributes
    ----------
    hold_leak_sccm, hold_leak_sccm_u : float or None
        Leak in cm3/min at 0 degC and 101.325 kPa, background subtracted, and its standard uncertainty. A slightly
        negative value is noise and is left as it is.
    pressure_rate_pa_s, pressure_rate_pa_s_u : float or None
        Rise that this leak alone makes in gas at ambient temperature, Pa/s.
    equivalent_orifice_mm, equivalent_orifice_mm_u : float or None
        Diameter of a sharp-edged hole (discharge coefficient 0.8) with the same leak; the uncertainty is None at zero.
    bound : {"", "above"}
        "above": the leak is larger than the value, too fast for this record to say by how much.
    thermal_time_constant_s, thermal_time_constant_s_u : float or None
        m c_v / G of the gas just after shutting off, s.
    start_pressure_pa : float
        Absolute pressure just after shutting off, to which the leak belongs.
    decided_after_s : float or None
        From how long a record on the leak was known to within 0.3 sccm or 3 % (two standard uncertainties of the fit),
        or told from the limit if one was given; None: not within this record.
    parts : tuple of (str, float)
        Contributions to the standard uncertainty, sccm, largest first.
    notes : tuple of str
    fit_time_s, fit_pressure_pa : ndarray, shape (n,)
        The fitted curve.
    """

    hold_leak_sccm: float | None = None
    hold_leak_sccm_u: float | None = None
    pressure_rate_pa_s: float | None = None
    pressure_rate_pa_s_u: float | None = None
    equivalent_orifice_mm: float | None = None
    equivalent_orifice_mm_u: float | None = None
    bound: Bound = ""
    thermal_time_constant_s: float | None = None
    thermal_time_constant_s_u: float | None = None
    start_pressure_pa: float = math.nan
    decided_after_s: float | None = None
    parts: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()
    fit_time_s: Samples = field(default_factory=lambda: np.empty(0))
    fit_pressure_pa: Samples = field(default_factory=lambda: np.empty(0))

    @property
    def thermal_time_constant_u_s(self) -> float | None:
        """The same as `thermal_time_constant_s_u`, under the name of the argument that takes it."""
        return self.thermal_time_constant_s_u


@dataclass(frozen=True)
class _Setting:
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

    def sccm(self, rate_pa_s: float) -> float:
        return sccm_from_pv_flow(self.volume_m3 * rate_pa_s, self.ambient_k)


def analyse_hold(
    time_s: Samples,
    pressure_pa: Samples,
    *,
    volume_m3: float,
    volume_u_m3: float,
    ambient_pa: float,
    ambient_k: float,
    ambient_u_k: float = 0.5,
    background_sccm: float = 0.0,
    background_u_sccm: float = 0.0,
    pressure_u_rel: float = 0.0,
    pressure_u_pa: float = 0.0,
    thermal_time_constant_s: float | None = None,
    thermal_time_constant_u_s: float | None = None,
    response_s: float = RESPONSE_S,
    limit_sccm: float | None = None,
) -> HoldResult:
    """Leak into a reservoir that was shut off from its pump, from the rise of its pressure.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        Time since the reservoir was shut off, s, strictly increasing, a lead-in with negative times welcome; absolute
        pressure, Pa.
    volume_m3, volume_u_m3 : float
        Volume of the reservoir with its standard uncertainty, m3.
    ambient_pa, ambient_k, ambient_u_k : float
        Ambient pressure as the same transducer shows it, Pa; ambient temperature and its standard uncertainty, K.
    background_sccm, background_u_sccm : float
        What the closed bench leaks by itself, and its standard uncertainty.
    pressure_u_rel, pressure_u_pa : float
        Standard uncertainty of the transducer: of its scale, relative; of its reading, Pa.
    thermal_time_constant_s, thermal_time_constant_u_s : float, optional
        What is known beforehand of the recovery's time constant at this pressure, s.
    response_s : float
        Time constant of the transducer, s; matters for a gross leak only.
    limit_sccm : float, optional
        Limit for which `decided_after_s` is wanted.

    Returns
    -------
    HoldResult

    Raises
    ------
    ValueError
        Malformed arrays, or a volume, pressure or temperature that is not positive.

    Notes
    -----
    Sources: rise of pressure as in EN 13184 and 40 CFR 1065.644; flow of the leak by ISO 6358-1.

    Examples
    --------
    14 K cold after pumping down, 5 sccm leak, no noise:

    >>> t = np.arange(0.0, 10.0, 0.005)
    >>> warm = 1 - 14 / 295 * np.exp(-t / 2.0)
    >>> p = 42000 * warm + pv_flow_pa_m3_s_from_sccm(5.0, 295.0) / 5e-4 * t
    >>> found = analyse_hold(t, p, volume_m3=5e-4, volume_u_m3=0.0, ambient_pa=101325, ambient_k=295.0)
    >>> round(found.hold_leak_sccm), round(found.thermal_time_constant_s, 1)
    (5, 2.0)
    """
    t, p = checked_trace(time_s, pressure_pa)
    check_positive(volume_m3=volume_m3, ambient_pa=ambient_pa, ambient_k=ambient_k)
    tau_s, tau_ln_u = time_constant_prior(
        thermal_time_constant_s, thermal_time_constant_u_s, USUAL_TAU_S, USUAL_TAU_LN_U
    )
    setting = _Setting(
        volume_m3, volume_u_m3, ambient_pa, ambient_k, ambient_u_k, background_sccm, background_u_sccm, pressure_u_rel,
        pressure_u_pa, tau_s, tau_ln_u, response_s,
    )  # fmt: skip
    held = t >= 0
    if np.count_nonzero(held) < 10:
        raise ValueError(
            f"time_s: only {np.count_nonzero(held)} samples at or after time 0, when the reservoir was shut off"
        )
    noise_pa = max(noise_sd(p), 0.3)
    began_pa = float(np.mean(p[~held][-20:] if np.count_nonzero(~held) >= 5 else p[held][:5]))
    vacuum_pa = ambient_pa - began_pa
    if vacuum_pa < max(LEAST_VACUUM_PA, 4 * noise_pa):
        return HoldResult(
            start_pressure_pa=began_pa,
            notes=(f"no vacuum to hold: {max(vacuum_pa, 0):.0f} Pa below ambient when the reservoir was shut off",),
        )
    left_pa = ambient_pa - float(np.mean(p[-max(5, len(p) // 50) :]))
    if left_pa < (1 - GROSS_FALL) * vacuum_pa:
        return _gross(t, p, began_pa, noise_pa, setting, limit_sccm)
    return _usual(t, p, noise_pa, setting, limit_sccm)


def _usual(t: Samples, p: Samples, noise_pa: float, setting: _Setting, limit_sccm: float | None) -> HoldResult:
    """A curve that is nearly straight apart from the recovery."""
    settled_s = min(SETTLED_S, 0.1 * float(t[-1]))
    end_s = float(t[-1])
    grid = np.linspace(0, 1, BLOCKS + 1)
    x, y, n = block_means(t, p, settled_s + (1e-9 + end_s - settled_s) * grid**1.5)
    start = float(y[0]) / setting.ambient_pa
    late = x > 0.5 * end_s
    slope = float(np.polyfit(x[late], y[late], 1)[0]) / setting.ambient_pa
    cold = min(max((float(y[-1] - y[0]) / setting.ambient_pa - slope * end_s) / start, -0.1), 0.3)
    model = _Model(x, end_s, setting)
    parameters = (
        Parameter("start", start, 1e-6),
        Parameter("leak", slope, 1e-6),
        Parameter("warmth", 1 - cold, 1e-5, prior=1.0, prior_u=COLD_U_K / setting.ambient_k, low=0.6, high=1.2),
        Parameter("tau_ln", math.log(setting.tau_s), 1e-3, math.log(setting.tau_s), setting.tau_ln_u, -3.0, 4.0),
        Parameter("shape", 0.7, 1e-3, USUAL_SHAPE, USUAL_SHAPE_U, -1.0, 1.05, late=True),
    )
    sd = noise_pa / np.sqrt(n)
    soft = (0.002 * setting.ambient_pa, 0.0003 * setting.ambient_pa, 0.0)
    fitted = fit(model, y, sd, parameters, soft_sd=soft)
    convection = Parameter("convection", 0.15, 1e-3, 0.0, CONVECTION_U, 0.0, 0.6)
    if fitted.widening < ASTRAY:
        freer = fit(model, y, sd, [*(replace(q, start=fitted.values[q.name]) for q in parameters), convection])
    else:
        freer = fit(model, y, sd, (*parameters, convection), soft_sd=soft)
    if freer.widening > ASTRAY:
        # the corner where the leak leaves choked flow makes narrow valleys: walk along them, one shape after the other
        again = {"convection": 0.25, "warmth": 0.95, "leak": 0.7 * slope}
        begin = [replace(q, start=again.get(q.name, q.start)) for q in (*parameters, convection)]
        for shape in (1.05, 0.9, 0.7, 0.5, 0.2, -0.5):
            held = [replace(q, start=shape, low=shape, high=shape) if q.name == "shape" else q for q in begin]
            other = fit(model, y, sd, held, soft_sd=soft[1:2])
            if other.cost < freer.cost:
                freer = other
        begin = [replace(q, start=freer.values[q.name]) for q in (*parameters, convection)]
        freer = fit(model, y, sd, begin)
    likelier = min(fitted, freer, key=lambda one: one.cost)
    curve = model(likelier.values)
    decided_s = _decided_after_s(likelier, x, sd, limit_sccm, setting)
    return _result(weighed(fitted, freer, CONVECTION_ODDS), x, curve, decided_s, setting)


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

    def __init__(self, time_s: Samples, end_s: float, setting: _Setting) -> None:
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


def _gross(
    t: Samples, p: Samples, began_pa: float, noise_pa: float, setting: _Setting, limit_sccm: float | None
) -> HoldResult:
    """A vacuum that is gone before long: the same fit with the instant of shutting off beside it."""
    vacuum_pa = setting.ambient_pa - began_pa
    half = np.flatnonzero(p - began_pa > 0.5 * vacuum_pa)
    half_s = max(float(t[half[0]]) if len(half) else float(t[-1]), 4 * float(np.median(np.diff(t))))
    first_s, last_s = max(float(t[0]), -0.5 * half_s), min(float(t[-1]), 6 * half_s)
    x, y, n = block_means(t, p, np.linspace(first_s, last_s + 1e-9, BLOCKS + 1))
    start = began_pa / setting.ambient_pa
    rate = 0.5 * vacuum_pa / half_s / setting.ambient_pa * 1.2

    model = _Model(x, last_s - first_s, setting)
    ambient_u = math.hypot(AMBIENT_U_PA, 0.3 * setting.pressure_u_pa) / setting.ambient_pa
    parameters = (
        Parameter("start", start, 1e-6),
        Parameter("leak", rate, 1e-5 * rate, low=0.0),
        Parameter("warmth", 1.0, 1e-5, prior=1.0, prior_u=5.0 / setting.ambient_k),
        Parameter("tau_ln", math.log(setting.tau_s), 1e-3, math.log(setting.tau_s), setting.tau_ln_u, -3.0, 4.0),
        Parameter("shape", 0.7, 1e-3, USUAL_SHAPE, USUAL_SHAPE_U, -1.0, 1.05),
        Parameter("shut_s", 0.005, 1e-5, prior=0.005, prior_u=0.02, low=-0.05, high=0.3),
        Parameter("ambient", 0.0, 1e-6, prior=0.0, prior_u=ambient_u),
        Parameter("laminar_ln", LAMINAR_LN, 1e-2, LAMINAR_LN, LAMINAR_LN_U, -10.0, -4.0),
    )
    sd = np.hypot(noise_pa / np.sqrt(n), np.where(y > 0.998 * setting.ambient_pa, 0.03 * (setting.ambient_pa - y), 0.0))
    fitted = fit(model, y, sd, parameters)
    # half of the vacuum went in no more than this: on average, so that the leak at the start was larger
    period_s = float(np.median(np.diff(t)))
    at_least_sccm = setting.sccm(0.5 * vacuum_pa / GAMMA / (max(half_s, period_s) + period_s)) - setting.background_sccm
    decided_s = _decided_after_s(fitted, x, sd, limit_sccm, setting)
    return _result(fitted, x, model(fitted.values), decided_s, setting, at_least_sccm)


def _result(
    fitted: Fitted, x: Samples, curve: Samples, decided_s: float | None, setting: _Setting, at_least_sccm: float = 0.0
) -> HoldResult:
    q = fitted.values
    start_pa = q["start"] * setting.ambient_pa
    gross_sccm = setting.sccm(q["leak"] * setting.ambient_pa)
    leak_sccm = gross_sccm - setting.background_sccm
    fit_u = setting.sccm(fitted.u("leak") * setting.ambient_pa)
    parts = {
        "fit of the rise, thermal recovery included": fit_u,
        "volume of the reservoir": abs(gross_sccm) * setting.volume_u_m3 / setting.volume_m3,
        "ambient temperature": abs(gross_sccm) * setting.ambient_u_k / setting.ambient_k,
        "drift of the ambient temperature": setting.sccm(start_pa * AMBIENT_DRIFT_U_K_S / setting.ambient_k),
        "background leak of the bench": setting.background_u_sccm,
        "pressure transducer": abs(gross_sccm)
        * math.hypot(setting.pressure_u_rel, setting.pressure_u_pa / setting.ambient_pa),
    }
    u_sccm = math.sqrt(sum(u * u for u in parts.values()))
    tau_s = math.exp(q["tau_ln"])
    notes = []
    bound: Bound = ""
    if at_least_sccm > 0 and u_sccm > BOUND_FROM_U * leak_sccm:
        bound, leak_sccm = "above", max(leak_sccm - 2 * u_sccm, at_least_sccm)
        notes.append("a gross leak, too fast for this record: the value is what it certainly exceeds")
    rate = pv_flow_pa_m3_s_from_sccm(leak_sccm, setting.ambient_k) / setting.volume_m3
    hole_mm = orifice_mm(leak_sccm, setting.ambient_pa, start_pa, setting.ambient_k)
    if "shut_s" in q:
        notes.append(
            f"gross leak: measured from {(setting.ambient_pa - start_pa) / 1000:.2f} kPa of vacuum, the most there was"
        )
    if fitted.widening > 2:
        notes.append(f"the rise departs from the model: uncertainty widened {fitted.widening:.1f} times")
    return HoldResult(
        hold_leak_sccm=leak_sccm,
        hold_leak_sccm_u=None if bound else u_sccm,
        pressure_rate_pa_s=rate,
        pressure_rate_pa_s_u=None
        if bound
        else pv_flow_pa_m3_s_from_sccm(u_sccm, setting.ambient_k) / setting.volume_m3,
        equivalent_orifice_mm=hole_mm,
        equivalent_orifice_mm_u=0.5 * hole_mm * u_sccm / leak_sccm if leak_sccm > 0 and not bound else None,
        bound=bound,
        thermal_time_constant_s=tau_s,
        thermal_time_constant_s_u=tau_s * fitted.u("tau_ln"),
        start_pressure_pa=start_pa,
        decided_after_s=decided_s,
        parts=tuple(sorted(parts.items(), key=lambda part: -part[1])),
        notes=tuple(notes),
        fit_time_s=x,
        fit_pressure_pa=curve,
    )


def _decided_after_s(
    fitted: Fitted, x: Samples, sd: Samples, limit_sccm: float | None, setting: _Setting
) -> float | None:
    """Shortest beginning of the record, s, that would have settled the question as well as it needed to be."""
    leak_sccm = setting.sccm(fitted.values["leak"] * setting.ambient_pa) - setting.background_sccm
    enough = max(KNOWN_SCCM, KNOWN_PART * abs(leak_sccm)) if limit_sccm is None else abs(leak_sccm - limit_sccm)
    at = list(fitted.values).index("leak")
    scaled = fitted.jacobian / sd[:, None] / fitted.widening
    prior = np.diag([1 / q.prior_u**2 for q in fitted.parameters])
    for part in range(1, 11):
        n = len(x) * part // 10
        known = scaled[:n].T @ scaled[:n] + prior
        size = 1 / np.sqrt(np.maximum(np.diag(known), 1e-300))
        covariance = np.linalg.pinv(known * np.outer(size, size), rcond=1e-12, hermitian=True)
        fit_u_sccm = setting.sccm(float(np.sqrt(max(covariance[at, at], 0.0)) * size[at]) * setting.ambient_pa)
        if 2 * math.hypot(fit_u_sccm, setting.background_u_sccm) < enough:
            return float(x[n - 1])
    return None
