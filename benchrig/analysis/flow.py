"""Open flow: conductance, critical pressure ratio and opening delay from a reservoir that fills through the valve.

The reservoir is bare: what rushes in heats what is there by tens of kelvin, and the wall takes the heat away while the
fill goes on. A constant-temperature formula would be wrong by up to 40 %. So the whole record is fitted at once with
the balance of mass and energy in `benchrig.analysis.reservoir`: conductance C, critical ratio b and the instant of
opening are wanted; the heat transfer (constant part and a part that grows with the inflow), the time that the valve
takes to open, the gas temperature at the start and small errors of the ambient pressure are fitted beside them, each
with what is known of it beforehand. Flow model: ISO 6358-1 with subsonic index 0.5.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchrig.analysis.fill_fit import USUAL_RATIO, USUAL_TAU_LN_U, USUAL_TAU_S, Setting, fit_fill, thinned
from benchrig.analysis.fitting import (
    Fitted,
    check_positive,
    checked_trace,
    noise_sd,
    time_constant_prior,
)
from benchrig.analysis.gas import GAMMA, flow_function
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
ELLIPSE_U = 0.003
"""What a critical ratio depends on the ellipse that stands for the real curve; an ideal nozzle is off by so much."""
TAIL_FROM, TAIL_U, TAIL_U_PA = 0.995, 0.03, 3.0
"""Close to ambient the flow of a real valve turns laminar and leaves the ellipse: the difference is trusted to this
part."""

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
    widening: float = 1.0
    """How many times the residuals of the fit exceed the noise; 1 where the model describes the record."""
    fit_time_s: Samples = field(default_factory=lambda: np.empty(0))
    fit_pressure_pa: Samples = field(default_factory=lambda: np.empty(0))


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
        Time since the valve's state was changed, s, strictly increasing, a lead-in with negative times welcome;
        absolute pressure of the reservoir as the transducer shows it, Pa. Several seconds after the fill tell about
        the heat.
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
        property of the reservoir, so one fill through a known opening tells it for all valves. Without it the fill
        alone must tell heat from flow, which it can hardly do: C stays good, b does not.
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
    Source: ISO 6358-1:2013 for C, b and the index 0.5; ISO 8778 for the reference air; the balance is that of any
    text on thermodynamics. ISO 6358-2 has a charge test with an isothermal tank; this is not it.

    Examples
    --------
    >>> from benchrig.analysis.reservoir import Fill, delayed_s, fill_curve
    >>> t = np.linspace(-0.2, 6.0, 6201)
    >>> truth = Fill(rate=0.8, critical_ratio=0.3, heat=0.2, heat_flow=0.0, start=0.4)
    >>> p = 1e5 * fill_curve(truth, 6.0).at(delayed_s(t - 0.010, 0.003)[0])[0]
    >>> bench = {"volume_m3": 5e-4, "volume_u_m3": 0.0, "ambient_pa": 1e5, "ambient_k": 295.0}
    >>> found = analyse_flow(t, p, **bench, rated_vacuum_pa=3e4)
    >>> round(found.sonic_conductance_dm3_s_bar, 3), round(found.critical_pressure_ratio, 3)
    (0.401, 0.297)
    >>> round(found.opening_delay_ms)
    10
    """
    t, p = checked_trace(time_s, pressure_pa)
    check_positive(volume_m3=volume_m3, ambient_pa=ambient_pa, ambient_k=ambient_k)
    tau_s, tau_ln_u = time_constant_prior(
        thermal_time_constant_s, thermal_time_constant_u_s, USUAL_TAU_S, USUAL_TAU_LN_U
    )
    setting = Setting(
        volume_m3, volume_u_m3, ambient_pa, ambient_k, ambient_u_k, start_u_k, rated_vacuum_pa, response_s,
        pressure_u_pa, tau_s, tau_ln_u, inflow_w_k, inflow_u_w_k or 0.2 * (inflow_w_k or 0.0),
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
    try:
        return _opened(t, p, start_pa, noise_pa, setting)
    except np.linalg.LinAlgError:
        why = "no opening of this kind fits the fall of the vacuum: something changed while it was measured"
        return FlowResult(opened=True, why_not=dict.fromkeys(_WANTED, why), notes=(why,))


_WANTED = (
    "sonic_conductance_dm3_s_bar",
    "critical_pressure_ratio",
    "opening_delay_ms",
    "flow_at_rated_vacuum_lpm_anr",
)


def _closed(t: Samples, p: Samples, start_pa: float, setting: Setting) -> FlowResult:
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


def _opened(t: Samples, p: Samples, start_pa: float, noise_pa: float, setting: Setting) -> FlowResult:
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
    x, y, n = thinned(t, p, (opened_s, onset_s), fill_s, period_s)
    tail_u_pa = np.hypot(TAIL_U * (setting.ambient_pa - y), TAIL_U_PA)
    close_to_ambient = y > TAIL_FROM * setting.ambient_pa
    sd = np.hypot(noise_pa / np.sqrt(n), np.where(close_to_ambient, tail_u_pa, 0.0))
    fitted, delay_s, curve = fit_fill(x, y, sd, opened_s, slope, start_pa, (noise_pa, period_s), setting)
    return _result(x, curve, fitted, delay_s, setting)


def _first_lasting(above: npt.NDArray[np.bool_]) -> int:
    """Index of the first of five samples in a row that are true; the first true one when there is no such run."""
    run = np.convolve(above, np.ones(5), mode="valid") >= 5
    return int(np.argmax(run)) if run.any() else int(np.argmax(above))


def _result(x: Samples, curve: Samples, fitted: Fitted, delay_s: tuple[float, float], setting: Setting) -> FlowResult:
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
        widening=fitted.widening,
        fit_time_s=x,
        fit_pressure_pa=curve,
    )
