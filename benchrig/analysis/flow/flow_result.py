"""From the fits of a fill to what is said of the valve: values with uncertainties, bounds, reasons for gaps."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchrig.analysis.flow.fill_alternatives import Explanation
from benchrig.analysis.flow.fill_blocks import Blocks
from benchrig.analysis.flow.fill_fit import TRAVEL_U_S, FillFit
from benchrig.analysis.flow.fill_model import FillSetting
from benchrig.analysis.flow.measured_ratio import measured_ratio
from benchrig.analysis.gas.air import GAMMA
from benchrig.analysis.results import Bound, Samples

__all__ = ["FlowResult", "Switched", "result_of"]

RATIO_KNOWN_U = 0.12
"""With more uncertainty than this the critical ratio says nothing: valves lie between 0.2 and 0.53."""
RATED_KNOWN_U = 0.25
"""A flow at rated vacuum that is less sure than this part of it is not given."""
ELLIPSE_U = 0.01
"""What a critical ratio depends on the shapes that stand for the real curve, where a record tells it better than that:
openings of seat and port in series (`tests/benchmarks/stranger_opening.py`), which flow a little more below the ratio
at which the fill begins, are off by so much. An ideal nozzle alone is off by 0.003."""
LATE_S = 0.15
"""A valve that opens later than this after t = 0 either sticks or was switched at another time."""
UNSEEN_U = 0.004
"""C is the flow at any pressure ratio below b. Below the ratio at which the fill begins nothing is seen of a real
opening, and just above it little that is not bound to an ISO curve: the standard uncertainty of that, as part of C. Of
openings with a seat and a port whose edges are up to a third as sharp as can be (strangers') C is off by 0.3 to 0.4 %,
of simulated ones, nozzles with a discharge coefficient that falls, by up to 0.6 %. The flow at rated vacuum is seen,
yet no surer: the departures fitted are four shapes of any number."""
PULLED_RATIO_U, PULLED_FLOW_U, PULLED_HEAT_C_U = 0.035, 0.004, 0.018
"""What an exchange of heat of another form than the fitted ones (free convection, stirring by the square of the inflow,
a liner), or an opening far from the ISO curve, makes of the critical ratio, and of C and the flow at rated vacuum as
part of them, for each standard uncertainty that the record pulls what is known of both beyond what sound records do;
the last is for C and pulls of bench and heat alone. Engineering judgement: in records of such kinds the ratio was off
by 0.02 to 0.06 a unit of `FillFit.pulled`, C by 1.5 to 3.5 % and the flow at rated vacuum by up to 1 %."""
BEGINS_U_S = 0.00025
"""How an armature that gathers speed begins to open is not known better than this (engineering judgement)."""


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
    goodness: float = 0.0
    """Over 1: the fit is questioned, see `benchrig.analysis.flow.fill_goodness`."""
    explanation: str = ""
    """What the record shows beyond a valve that opens once and stays open; also among the notes."""
    fit_time_s: Samples = field(default_factory=lambda: np.empty(0))
    fit_pressure_pa: Samples = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class Switched:
    """When the valve's state was changed, s after the first sample; how long the record is; whether that is sure."""

    at_s: float
    record_s: float
    known: bool

    @property
    def within(self) -> bool:
        """Whether it lies in the record, or so little before it that the record began with it."""
        return -0.5 * self.record_s <= self.at_s < self.record_s


@dataclass(frozen=True)
class _Values:
    """What one fit says: value and standard uncertainty of each, contributions to that of C."""

    c: tuple[float, float]
    b: tuple[float, float]
    lpm: tuple[float, float]
    tau_s: tuple[float, float]
    opened_s: tuple[float, float]
    parts: Mapping[str, float]


def _values(one: Explanation, setting: FillSetting) -> _Values:
    fill, fitted = one.fill, one.fill.fitted
    q = fitted.values
    c = setting.conductance(q["rate"])
    scale_u = {
        "volume of the reservoir": setting.volume_u_m3 / setting.volume_m3,
        "pressure transducer": setting.pressure_u_pa / setting.ambient_pa,
        "ambient temperature": 0.5 * setting.ambient_u_k / setting.ambient_k,
    }
    fit_u = setting.conductance(fitted.u("rate"))
    parts = {"fit of the fill, heat transfer included": fit_u, **{name: c * u for name, u in scale_u.items()}}
    scale = math.sqrt(sum(u * u for u in scale_u.values()))
    parts["opening that departs from its ISO curve about the start"] = c * UNSEEN_U
    other_u = math.hypot(PULLED_FLOW_U * fill.pulled, one.flow_u)
    other_c_u = math.hypot(other_u, PULLED_HEAT_C_U * fill.pulled_heat)
    if other_c_u:
        parts["heat exchange or opening of another form"] = c * other_c_u
    lpm, lpm_u = _over_members(fill, setting.rated_lpm)
    b, b_u = _over_members(fill, measured_ratio)
    tau_s = math.exp(q["tau_ln"])
    return _Values(
        (c, math.hypot(fit_u, c * scale, c * UNSEEN_U, c * other_c_u)),
        (b, math.hypot(b_u, ELLIPSE_U, PULLED_RATIO_U * fill.pulled, one.ratio_u)),
        (lpm, math.hypot(lpm_u, lpm * scale, lpm * UNSEEN_U, lpm * other_u)),
        (tau_s, tau_s * fitted.u("tau_ln")),
        (fill.opened_s[0], math.hypot(fill.opened_s[1], BEGINS_U_S)),
        parts,
    )


def _over_members(fill: FillFit, said: Callable[[Mapping[str, float]], float]) -> tuple[float, float]:
    """What parameters say, over all that the fit is the mean of: the flow seen hardly differs where C and b do."""
    values, variances = [], []
    for _, one in fill.members:
        q = one.values
        value = said(q)
        leaning = {name: (said({**q, name: q[name] + 1e-4}) - value) / 1e-4 for name in q}
        values.append(value)
        variances.append(one.u_of(leaning) ** 2)
    shares = np.array([share for share, _ in fill.members])
    mean = float(shares @ values)
    return mean, math.sqrt(float(shares @ (np.array(variances) + (np.array(values) - mean) ** 2)))


def _spanning(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """One value and standard uncertainty for several explanations of the same record, none preferred."""
    mean = sum(value for value, _ in values) / len(values)
    return mean, math.sqrt(sum(u * u + (value - mean) ** 2 for value, u in values) / len(values))


def _unseen_recovery_u_s(tau_s: float) -> float:
    """What the recovery of the gas leaves open of the instant of opening, s.

    Before the walls warm it, gas that is pressed together rises faster by the ratio of its heat capacities. Where that
    is over within the time of an opening it looks like an opening that takes time; longer recoveries show as such.
    """
    return (GAMMA - 1.0) * tau_s / (1.0 + (tau_s / (2.0 * TRAVEL_U_S)) ** 2)


def result_of(
    blocks: Blocks, found: Sequence[Explanation], explanation: str, setting: FillSetting, switched: Switched
) -> FlowResult:
    """What one explanation of a fill says, or several that remain.

    Parameters
    ----------
    blocks : Blocks
        The record as it was fitted.
    found : sequence of Explanation
        The fits that remain, the likeliest first; at least one.
    explanation : str
        What was seen, in words; empty for a plain fill.
    setting, switched : FillSetting, Switched
        What was told of the bench, and when the valve was switched.
    """
    each = [_values(one, setting) for one in found]
    best = found[0].fill
    c, c_u = _spanning([values.c for values in each])
    b, b_u = _spanning([values.b for values in each])
    lpm, lpm_u = _spanning([values.lpm for values in each])
    tau_s, tau_u_s = _spanning([values.tau_s for values in each])
    opened_s, opened_u_s = _spanning([values.opened_s for values in each])
    opened_u_s = math.hypot(opened_u_s, max(one.timing_u_s for one in found), _unseen_recovery_u_s(tau_s))
    parts = dict(each[0].parts)
    rest = c_u**2 - sum(part**2 for part in parts.values())
    if len(found) > 1 and rest > 0:
        parts["explanations that remain"] = math.sqrt(rest)
    elif len(found) > 1:
        parts["fit of the fill, heat transfer included"] = math.sqrt(
            max(parts["fit of the fill, heat transfer included"] ** 2 + rest, 0.0)
        )
    why_not: dict[str, str] = {}
    bounds: dict[str, Bound] = {}
    notes = [explanation] if explanation else []
    if b_u > RATIO_KNOWN_U:
        why_not["critical_pressure_ratio"] = (
            f"cannot be resolved from this fill: standard uncertainty {b_u:.2f}, at most {RATIO_KNOWN_U} is of use"
        )
        notes.append(f"critical pressure ratio {why_not['critical_pressure_ratio']}")
    widening = best.fitted.widening
    if widening > 2:
        notes.append(f"the fill departs from the model: uncertainties widened {widening:.1f} times")
    delay_s = opened_s - switched.at_s
    late = switched.within and not switched.known and delay_s > LATE_S
    if not switched.within:
        why_not["opening_delay_ms"] = (
            "t = 0 lies outside of the record: when was the valve switched, on this time axis?"
        )
    elif delay_s < -2 * opened_u_s:
        why_not["opening_delay_ms"] = (
            f"the pressure rises {-1e3 * delay_s:.0f} ms before t = 0: t = 0 is not when the valve was switched, "
            "or the valve was not shut before"
        )
        notes.append(why_not["opening_delay_ms"])
    elif late:
        bounds["opening_delay_ms"] = "below"
        notes.append(
            f"the valve opens {1e3 * delay_s:.0f} ms after t = 0: it sticks, or t = 0 is not when the valve was "
            "switched; the delay is no more than that"
        )
    if lpm_u > RATED_KNOWN_U * lpm:
        why_not["flow_at_rated_vacuum_lpm_anr"] = (
            f"the fill does not reach down to the rated vacuum: {lpm:.3g} L/min ANR, standard uncertainty {lpm_u:.2g}"
        )
        notes.append(f"flow at rated vacuum: {why_not['flow_at_rated_vacuum_lpm_anr']}")
    timed = "opening_delay_ms" not in why_not
    rated = "flow_at_rated_vacuum_lpm_anr" not in why_not
    ratio_known = "critical_pressure_ratio" not in why_not
    return FlowResult(
        sonic_conductance_dm3_s_bar=c,
        sonic_conductance_dm3_s_bar_u=c_u,
        critical_pressure_ratio=b if ratio_known else None,
        critical_pressure_ratio_u=b_u if ratio_known else None,
        opening_delay_ms=1e3 * max(delay_s, 0.0) if timed else None,
        opening_delay_ms_u=1e3 * opened_u_s if timed and not late else None,
        flow_at_rated_vacuum_lpm_anr=lpm if rated else None,
        flow_at_rated_vacuum_lpm_anr_u=lpm_u if rated else None,
        thermal_time_constant_s=tau_s,
        thermal_time_constant_s_u=tau_u_s,
        opened=True,
        bounds=bounds,
        why_not=why_not,
        parts=tuple(sorted(parts.items(), key=lambda part: -part[1])),
        notes=tuple(notes),
        widening=widening,
        goodness=best.goodness,
        explanation=explanation,
        fit_time_s=blocks.time_s - switched.at_s,
        fit_pressure_pa=best.curve_pa,
    )
