"""Open flow: conductance, critical pressure ratio and opening delay from a reservoir that fills through the valve.

The reservoir is bare: what rushes in heats what is there by tens of kelvin, and the wall takes the heat away while the
fill goes on. A constant-temperature formula would be wrong by up to 40 %. So the whole record is fitted at once with
the balance of mass and energy in `benchrig.analysis.gas.reservoir`: conductance C, critical ratio b and the instant of
opening are wanted; the heat transfer (constant part and a part that grows with the inflow), the time that the valve
takes to open, the gas temperature at the start and small errors of the ambient pressure are fitted beside them, each
with what is known of it beforehand. Flow model: ISO 6358-1 with subsonic index 0.5.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchrig.analysis.flow.fill_alternatives import SLOWEST_S, Explanation, explanations
from benchrig.analysis.flow.fill_blocks import Blocks, thinned
from benchrig.analysis.flow.fill_fit import (
    USUAL_RATIO,
    USUAL_TAU_LN_U,
    USUAL_TAU_S,
    FillFit,
    fit_fill,
)
from benchrig.analysis.flow.fill_goodness import noise_of_record
from benchrig.analysis.flow.fill_model import FillSetting
from benchrig.analysis.flow.flow_result import FlowResult, Switched, result_of
from benchrig.analysis.flow.opening_course import course_of, words_for
from benchrig.analysis.gas.air import GAMMA, flow_function
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import check_positive, checked_trace, time_constant_prior

__all__ = ["FlowResult", "analyse_flow"]

LEAST_VACUUM_PA = 2_000.0
LEAST_FALL_SAMPLES = 8
SLOWEST_RESPONSE = 0.15
"""A transducer whose time constant is more than this part of the fill hides it."""
CLOSED_BELOW = 0.03
"""A valve that let in less than this part of the vacuum by the end of the record counts as not opened."""
LEAST_START = 0.02
"""No pump of a bench draws a reservoir below this part of ambient: the unit is another."""
FALLS = 0.3
"""No reservoir that is opened to ambient falls below this part of the pressure with which it began."""
COARSE = 4e-4
"""Steps of a converter that leave more than this part of the vacuum in the means of many samples are too coarse."""
STUCK = 20
"""So many equal samples at an end of the range, where the noise elsewhere moves the converter, are clipped."""
TAIL_FROM, TAIL_U, TAIL_U_PA = 0.995, 0.03, 3.0
"""Close to ambient the flow of a real valve turns laminar and leaves the ellipse: the difference is trusted to this
part."""

DEPARTS = 2.5
"""A fill that departs from any opening by so many times the noise is not believed. Sound benches stay below 1.2."""

REASON_CLOSED = "the reservoir did not fill: the valve did not open"


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
    inflow_power: float = 0.8,
    inflow_power_u: float = 0.2,
    response_s: float = 0.003,
    pressure_u_pa: float = 0.0,
    switched_s: float = 0.0,
    switching_known: bool = False,
    alternatives: bool = True,
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
        alone must tell heat from flow, over all that jets are known to stir: C stays good, b becomes less sure.
    inflow_power, inflow_power_u : float
        With which power of the inflow that grows, and its standard uncertainty: 0.8 in turbulent pipe flow, about 0.7
        under jets (from memory).
    response_s : float
        First-order time constant of the transducer, s; taken out by modelling it.
    pressure_u_pa : float
        Standard uncertainty of the transducer, Pa.
    switched_s : float
        When the valve's state was changed, on the axis of `time_s`, s. Only the delay depends on it.
    switching_known : bool
        `switched_s` comes from what switched the valve. Without that, a valve that opens long after it cannot be told
        from a wrong zero of the time axis: its delay is a bound.
    alternatives : bool
        Look for what else a record may be that the plain model does not describe, which takes seconds. Without, it is
        not measured: for a look while the fill goes on.

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
    >>> from benchrig.analysis.gas.reservoir import Fill, delayed_s, fill_curve
    >>> t = np.linspace(-0.2, 6.0, 6201)
    >>> truth = Fill(rate=0.8, critical_ratio=0.3, heat=0.2, heat_flow=0.0, start=0.4)
    >>> p = 1e5 * fill_curve(truth, 6.0).at(delayed_s(t - 0.010, 0.003)[0])[0]
    >>> bench = {"volume_m3": 5e-4, "volume_u_m3": 0.0, "ambient_pa": 1e5, "ambient_k": 295.0}
    >>> heat = {"thermal_time_constant_s": 2.0, "inflow_w_k": 0.0, "inflow_u_w_k": 0.01}
    >>> found = analyse_flow(t, p, **bench, **heat, rated_vacuum_pa=3e4)
    >>> round(found.sonic_conductance_dm3_s_bar, 2), round(found.critical_pressure_ratio, 2)
    (0.4, 0.3)
    >>> round(found.opening_delay_ms)
    10
    """
    t, p = checked_trace(time_s, pressure_pa)
    check_positive(volume_m3=volume_m3, ambient_pa=ambient_pa, ambient_k=ambient_k)
    # times are counted from the record's first sample, so that nothing depends on where the axis begins
    switched = Switched(float(switched_s) - float(t[0]), float(t[-1] - t[0]), switching_known)
    t = t - t[0]
    tau_s, tau_ln_u = time_constant_prior(
        thermal_time_constant_s, thermal_time_constant_u_s, USUAL_TAU_S, USUAL_TAU_LN_U
    )
    # plain floats: the balance is integrated step by step, and numpy's own are slow at that
    setting = FillSetting(
        float(volume_m3),
        float(volume_u_m3),
        float(ambient_pa),
        float(ambient_k),
        float(ambient_u_k),
        float(start_u_k),
        float(rated_vacuum_pa),
        float(response_s),
        float(pressure_u_pa),
        float(tau_s),
        float(tau_ln_u),
        float(inflow_w_k or 0.0),
        float(inflow_u_w_k or 0.2 * (inflow_w_k or 0.0)),
        float(inflow_power),
        float(inflow_power_u),
    )
    setting = setting.untold() if inflow_w_k is None else setting
    noise_pa = noise_of_record(p, p[:0]).sample_pa
    start_pa = float(np.mean(p[:5]))
    vacuum_pa = ambient_pa - start_pa
    why = _unfit(p, ambient_pa)
    if why:
        return FlowResult(why_not=dict.fromkeys(_WANTED, why), notes=(why,), explanation=why)
    if vacuum_pa < max(LEAST_VACUUM_PA, 20 * noise_pa):
        why = f"only {vacuum_pa / 1000:.2f} kPa of vacuum at the start: nothing to open onto"
        return FlowResult(why_not=dict.fromkeys(_WANTED, why), notes=(why,))
    end_pa = float(np.mean(p[-max(5, len(p) // 200) :]))
    if end_pa - start_pa < CLOSED_BELOW * vacuum_pa:
        return _closed(t, p, start_pa, setting, switched)
    return _opened(t, p, noise_pa, setting, switched, alternatives=alternatives)


def _unfit(p: Samples, ambient_pa: float) -> str:
    """Why a record is no pressure of a reservoir at all; empty if it may be one."""
    low, high = float(p.min()), float(p.max())
    if low == high:
        return f"all {len(p)} samples are the same, {low:.6g} Pa: is the transducer connected and supplied?"
    if high < LEAST_START * ambient_pa:
        return (
            f"the pressures lie between {low:.4g} and {high:.4g} Pa, below any vacuum that a bench draws: "
            "is their unit mbar or kPa, or are they relative to ambient?"
        )
    begins_pa, ends_pa = (float(np.mean(end)) for end in (p[: max(5, len(p) // 50)], p[-max(5, len(p) // 50) :]))
    if ends_pa < FALLS * begins_pa:
        return (
            f"the pressure falls, from {begins_pa:.6g} to {ends_pa:.4g} Pa: is it the vacuum below ambient that was "
            "recorded, not the absolute pressure?"
        )
    jumps = np.abs(np.diff(p))
    step = float(jumps[jumps > 0].min())
    for end_pa, name in ((low, "lowest"), (high, "highest")):
        stuck = np.flatnonzero(p == end_pa)
        if len(stuck) < STUCK or stuck[-1] - stuck[0] + 1 != len(stuck):
            continue
        rest = np.delete(p, stuck)
        if len(rest) > STUCK and float(np.std(np.diff(rest, 2))) / math.sqrt(6) > max(0.6 * step, 1.0):
            return (
                f"{len(stuck)} samples in a row from sample {stuck[0]} stand at the {name} pressure, {end_pa:.6g} Pa, "
                "without noise: the transducer or the converter is at the end of its range"
            )
    return ""


_WANTED = (
    "sonic_conductance_dm3_s_bar",
    "critical_pressure_ratio",
    "opening_delay_ms",
    "flow_at_rated_vacuum_lpm_anr",
)


def _closed(t: Samples, p: Samples, start_pa: float, setting: FillSetting, switched: Switched) -> FlowResult:
    """Result for a valve that lets nothing, or next to nothing, in: conductance from the slope of a line."""
    flowing = t > switched.at_s if switched.within else t >= 0.0
    if np.count_nonzero(flowing) < 5:
        flowing = t >= 0.0
    x, y = t[flowing], p[flowing]
    slope, offset = np.polyfit(x, y, 1)
    left = y - (slope * x + offset)
    slope_u = float(np.std(left) * math.sqrt(12 / len(x)) / (x[-1] - x[0]))
    shape = max(float(flow_function(start_pa / setting.ambient_pa, USUAL_RATIO)), 0.05)
    # with no fill to show it, the gas may be anywhere between following the wall and not feeling it
    rate = max(slope, 0.0) / setting.ambient_pa / shape / math.sqrt(GAMMA)
    rate_u = math.hypot(slope_u / setting.ambient_pa / shape, 0.12 * rate)
    c, c_u = setting.conductance(rate), setting.conductance(rate_u)
    lpm = setting.rated_lpm({"rate": 1.0, "critical_ratio": USUAL_RATIO}) / setting.conductance(1.0)
    length_ms = 1e3 * float(t[-1] - max(switched.at_s, 0.0)) if switched.within else None
    why_not = {"critical_pressure_ratio": REASON_CLOSED}
    if length_ms is None:
        why_not["opening_delay_ms"] = REASON_CLOSED
    within = "" if length_ms is None else f" within {length_ms:.0f} ms"
    return FlowResult(
        sonic_conductance_dm3_s_bar=c,
        sonic_conductance_dm3_s_bar_u=c_u,
        opening_delay_ms=length_ms,
        flow_at_rated_vacuum_lpm_anr=c * lpm,
        flow_at_rated_vacuum_lpm_anr_u=c_u * lpm,
        opened=False,
        bounds={} if length_ms is None else {"opening_delay_ms": "above"},
        why_not=why_not,
        parts=(("slope of the pressure", setting.conductance(slope_u / setting.ambient_pa)),),
        notes=(f"{REASON_CLOSED}{within}",),
        fit_time_s=x[[0, -1]] - switched.at_s,
        fit_pressure_pa=slope * x[[0, -1]] + offset,
    )


def _opened(
    t: Samples, p: Samples, noise_pa: float, setting: FillSetting, switched: Switched, *, alternatives: bool
) -> FlowResult:
    """Result for a fill."""
    start_pa = float(np.mean(p[:5]))
    onset = _first_lasting(np.abs(p - start_pa) > max(0.01 * (setting.ambient_pa - start_pa), 6 * noise_pa))
    # a valve may have begun to open long before its flow shows: that is no noise of the lead-in
    still = p[: max(int(np.searchsorted(t, t[onset] - SLOWEST_S)), onset // 2)]
    noise = noise_of_record(p, still)
    if len(still) >= 5:
        start_pa = float(np.mean(still[-100:]))
    vacuum_pa = setting.ambient_pa - start_pa
    period_s = float(np.median(np.diff(t)))
    away = p - start_pa
    onset = _first_lasting(np.abs(away) > max(0.01 * vacuum_pa, 6 * noise_pa))
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
    elif noise.slow_pa > COARSE * vacuum_pa and noise.stepped:
        reason = (
            f"the converter's steps leave {noise.slow_pa:.0f} Pa in the mean of any number of samples, too much of "
            f"{vacuum_pa / 1000:.0f} kPa: use a finer range, or a transducer of a range closer to ambient"
        )
    if reason:
        return FlowResult(opened=True, why_not=dict.fromkeys(_WANTED, reason), notes=(reason,))
    onset_s = float(t[onset])
    rising = (t >= onset_s) & (away < 0.25 * vacuum_pa)
    slope = float(np.polyfit(t[rising] - onset_s, away[rising], 1)[0]) if np.count_nonzero(rising) > 3 else 0.0
    slope = max(slope, 0.3 * vacuum_pa / fill_s)
    opened_s = onset_s - float(away[onset]) / slope - setting.response_s
    x, y, n = thinned(t, p, (opened_s, onset_s), fill_s, period_s)
    tail_u_pa = np.hypot(TAIL_U * (setting.ambient_pa - y), TAIL_U_PA)
    close_to_ambient = y > TAIL_FROM * setting.ambient_pa
    sd = np.hypot(noise.of_means(n, y), np.where(close_to_ambient, tail_u_pa, 0.0))
    blocks = Blocks(x, y, sd, opened_s, slope, start_pa, period_s, noise)
    try:
        plain = fit_fill(blocks, setting)
    except np.linalg.LinAlgError:
        plain = None
    if plain is not None and plain.believed:
        return result_of(blocks, [Explanation("", plain)], "", setting, switched)
    if not alternatives:
        return _not_measured("the fill is not what one opening at once makes of it so far", plain, blocks, switched)
    return _questioned(t, p, onset_s, blocks, plain, setting, switched)


def _questioned(
    t: Samples,
    p: Samples,
    onset_s: float,
    blocks: Blocks,
    plain: FillFit | None,
    setting: FillSetting,
    switched: Switched,
) -> FlowResult:
    """Result for a fill that is not what the plain model makes of it: what it may be instead."""
    course = course_of(
        t,
        p,
        from_s=onset_s,
        ambient_pa=setting.ambient_pa,
        start_pa=blocks.start_pa,
        noise_pa=blocks.noise.sample_pa,
    )
    words = words_for(course)
    if words:
        return _not_measured(f"{words}; no one opening describes that", plain, blocks, switched)
    before_s = switched.at_s - onset_s
    if switched.within and before_s > 0.02:
        words = (
            f"the pressure rises {1e3 * before_s:.0f} ms before t = 0, unlike through one opening: the valve was not "
            "shut before it was switched, or t = 0 is not when that was"
        )
        return _not_measured(words, plain, blocks, switched)
    elsewhere = plain is not None and plain.goodness <= 1.0 and plain.strained == "ambient"
    found = [] if elsewhere else explanations(blocks, setting, course)
    if found:
        said = " or ".join(dict.fromkeys(each.words for each in found if each.words))
        return result_of(blocks, found, said, setting, switched)
    if plain is not None and plain.fitted.widening <= DEPARTS and not plain.strained:
        return result_of(blocks, [Explanation("", plain)], "", setting, switched)
    if plain is not None and plain.strained and (plain.goodness <= 1.0 or plain.strained == "ambient"):
        return _not_measured(_strain_words(plain, setting), plain, blocks, switched)
    times = "" if plain is None else f" ({plain.fitted.widening:.1f} times the noise)"
    why = (
        f"the fill departs from that through any opening{times}: does the valve open once and stay open? "
        "Is the transducer slow, its hose kinked or blocked? Then measure again"
    )
    return _not_measured(why, plain, blocks, switched)


def _strain_words(fill: FillFit, setting: FillSetting) -> str:
    """What is other than told, where the record can be described only so."""
    q = fill.fitted.values
    if fill.strained == "ambient":
        off_pa = q["ambient"] * setting.ambient_pa
        return (
            f"the fill ends {abs(off_pa):.0f} Pa {'above' if off_pa > 0 else 'below'} the ambient pressure told: "
            "take ambient with the same transducer, before or after"
        )
    if fill.strained == "start_warmth":
        off_k = (q["start_warmth"] - 1) * setting.ambient_k
        return (
            f"the gas seems {abs(off_k):.0f} K {'warmer' if off_k > 0 else 'colder'} than the walls at the opening, or "
            "the reservoir is wet: wait longer before the valve is opened, dry what is wet"
        )
    if fill.strained == "response_part":
        return "the transducer answers slower than the bench file says: calibrate its response, look at its hose"
    if fill.strained in ("tau_ln", "inflow_part", "flow_power"):
        return (
            "the walls give heat otherwise than told: is the heat's time constant, or what an inflow adds to it, that "
            "of this reservoir? Calibrate it, or leave it out"
        )
    return (
        "the fill is not that of an opening of constant width: does the valve open wider or close while it flows, is "
        "its hose narrow? Look, and measure again"
    )


def _not_measured(why: str, plain: FillFit | None, blocks: Blocks, switched: Switched) -> FlowResult:
    return FlowResult(
        opened=True,
        why_not=dict.fromkeys(_WANTED, why),
        notes=(why,),
        explanation=why,
        widening=plain.fitted.widening if plain else math.inf,
        goodness=plain.goodness if plain else math.inf,
        fit_time_s=blocks.time_s - switched.at_s if plain else np.empty(0),
        fit_pressure_pa=plain.curve_pa if plain else np.empty(0),
    )


def _first_lasting(above: npt.NDArray[np.bool_]) -> int:
    """Index of the first of five samples in a row that are true; the first true one when there is no such run."""
    run = np.convolve(above, np.ones(5), mode="valid") >= 5
    return int(np.argmax(run)) if run.any() else int(np.argmax(above))
