"""Heat transfer by the inflow, from short fills through openings of which nothing need be known.

An opening is opened onto the vacuum and shut again before the reservoir is full; then the gas comes to rest. Shut in,
it falls from the pressure p1, at which the flow ended, to the pressure p2 at the walls' temperature, and both together
say how warm it was and how much of it there is. From rest at p0, the balance of energy gives the heat Q that it lost to
the walls meanwhile, whatever the opening was like::

    Q = V / (gamma - 1) * (gamma (p2 - p0) - (p1 - p0))

And with an assumed heat conductance G0 + a q^n (q the inflow in g/s) the same balance, step by step along the pressure
in the gas (`short_fill`), gives the inflow, the temperature and so the pressure p2 at rest. The a and n with which it
comes out as measured, over small and large inflows, are what was looked for. Conductance and critical ratio of the
openings do not enter: there is no flow model in it. First law for an open system and ideal gas: any text on
thermodynamics.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from benchrig.analysis.calibration.short_fill import AFTER_S, ShortFill, short_fill
from benchrig.analysis.gas.air import GAMMA, R_AIR
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Fitted, Parameter, block_means, fit
from benchrig.analysis.statistics.uncertainty_budget import Quantity

__all__ = ["InflowHeat", "InflowSetting", "Pulse", "Rest", "coming_to_rest", "inflow_heat", "rest_pressure_pa"]

C_V = R_AIR / (GAMMA - 1)
C_P = C_V + R_AIR
STEPS = 60
"""Of the balance, along a pulse: half as many change the result by less than a thousandth."""
ROUNDS = 4
"""Of the fixed point of each step; it gains two digits in each."""
USUAL_W_K, USUAL_POWER, USUAL_POWER_U = 1.5, 0.8, 0.3
WALL_U_K = 0.04
"""What gas at rest is off the walls' temperature before the pulse, and the walls of it after: they have taken the
heat, some 10 J, into some 250 J/K (engineering judgement)."""
STILL_U_PART = 0.10
"""How constant the heat transfer of the still gas is: free convection grows with the temperature difference (part of
it, engineering judgement)."""
END_SAMPLES_U = 0.4
"""How well the fit of a pulse knows its end, in parts of the scatter of single samples: some hundred of them."""
MOST_LEAK_PA_S = 20.0
"""Some 5 sccm into half a litre."""
MOST_WIDENING = 6.0


@dataclass(frozen=True)
class Rest:
    """The shut-in gas coming to rest: an exponential on a straight line.

    Attributes
    ----------
    pressure_pa, pressure_u_pa : float
        At rest, without what leaked in after the flow had ended, Pa.
    leak_pa_s : float
        Rise by leaks meanwhile, Pa/s.
    time_constant_s, time_constant_u_s : float
    """

    pressure_pa: float
    pressure_u_pa: float
    leak_pa_s: float
    time_constant_s: float
    time_constant_u_s: float


@dataclass(frozen=True)
class Pulse:
    """One short fill. Times, s, count from the switch that opened; pressures are absolute, Pa, as shown.

    Attributes
    ----------
    opening : str
        Through what, in words.
    time_s, pressure_pa : ndarray, shape (n,)
        The quick record, from a lead-in with negative times to well after the flow has ended.
    late_s, late_pa : ndarray, shape (m,)
        The slow record, until the gas is at rest.
    fell : bool
        Whether the pressure was falling before the pulse, as it does after another one.
    """

    opening: str
    time_s: Samples
    pressure_pa: Samples
    late_s: Samples
    late_pa: Samples
    fell: bool = False


@dataclass(frozen=True)
class InflowSetting:
    """What is known of the bench beforehand, each with its standard uncertainty."""

    volume_m3: Quantity
    ambient_k: float
    response_s: Quantity
    offset_pa: Quantity
    """Error of the transducer's zero: 0 with an uncertainty."""
    hysteresis_pa: Quantity
    """What the transducer shows on a falling pressure less what it shows on a rising one."""


@dataclass(frozen=True)
class InflowHeat:
    """What came out: a (W/K at 1 g/s) and n, with budgets, largest part first.

    `widening` is how many times the pulses disagree more than their uncertainties explain; it is in the uncertainties.
    """

    inflow_w_k: float
    inflow_w_k_u: float
    power: float
    power_u: float
    parts: tuple[tuple[str, float], ...]
    power_parts: tuple[tuple[str, float], ...]
    widening: float
    flows_g_s: tuple[float, float]
    """Smallest and largest mean inflow of a pulse."""


def coming_to_rest(pulse: Pulse, from_s: float) -> Rest:
    """See at which pressure the gas came to rest.

    Parameters
    ----------
    pulse : Pulse
    from_s : float
        When the flow had ended, s.

    Raises
    ------
    ValueError
        The gas did not come to rest.
    """
    at = pulse.time_s > from_s + 0.5 * AFTER_S
    # the end of the quick record belongs to the fall as well: a few means of it, as dense as the slow record
    edges = np.linspace(from_s + 0.5 * AFTER_S, float(pulse.time_s[-1]), 21)
    mean_s, mean_pa, _ = block_means(pulse.time_s[at], pulse.pressure_pa[at], edges)
    t = np.concatenate((mean_s, pulse.late_s)) - from_s
    p = np.concatenate((mean_pa, pulse.late_pa))

    def columns(tau_s: float) -> Samples:
        return np.stack((np.ones_like(t), t, np.exp(-t / tau_s)), axis=1)

    def left(tau_s: float) -> float:
        a = columns(tau_s)
        return float(np.sum((p - a @ np.linalg.lstsq(a, p, rcond=None)[0]) ** 2))

    tau_s = _least(left, 0.2, 15.0)
    a = columns(tau_s)
    level, slope, excess = np.linalg.lstsq(a, p, rcond=None)[0].tolist()
    jacobian = np.concatenate((a, (excess * t / tau_s**2 * a[:, 2])[:, None]), axis=1)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * left(tau_s) / (len(t) - 4)
    if excess < 20 or tau_s > 12.0 or not covariance[3, 3] < (0.2 * tau_s) ** 2:
        raise ValueError(f"the gas did not come to rest after the {pulse.opening} was shut: does it leak?")
    if slope > MOST_LEAK_PA_S:
        raise ValueError(f"shut, the {pulse.opening} still let in {slope:.0f} Pa/s: it leaks, or it is wet")
    return Rest(level, math.sqrt(covariance[0, 0]), slope, tau_s, math.sqrt(covariance[3, 3]))


def _least(cost: Callable[[float], float], low: float, high: float) -> float:
    """Golden-section search for the least of a function with one valley, on a logarithmic scale."""
    golden = (math.sqrt(5) - 1) / 2
    a, b = math.log(low), math.log(high)
    c, d = b - golden * (b - a), a + golden * (b - a)
    at_c, at_d = cost(math.exp(c)), cost(math.exp(d))
    while b - a > 1e-4:
        if at_c < at_d:
            b, d, at_d = d, c, at_c
            c = b - golden * (b - a)
            at_c = cost(math.exp(c))
        else:
            a, c, at_c = c, d, at_d
            d = a + golden * (b - a)
            at_d = cost(math.exp(d))
    return math.exp((a + b) / 2)


def _walked(
    fill: ShortFill, rest: Rest, fell: bool, q: Mapping[str, float], setting: InflowSetting
) -> tuple[float, float]:
    """The pressure at rest afterwards, Pa as shown, and the mean inflow, g/s."""
    volume, ambient_k, offset_pa = setting.volume_m3.value, setting.ambient_k, setting.offset_pa.value
    rest_pa = rest.pressure_pa + offset_pa
    still_w_k = q.get("still", 1.0) * rest_pa * volume / (R_AIR * ambient_k) * C_V / rest.time_constant_s
    per_g_s, power = q["inflow_w_k"], q["power"]
    pressures = (fill.pressure_pa(np.linspace(0.0, 1.0, STEPS + 1)) + offset_pa).tolist()
    seconds = (fill.shut_s - fill.opened_s) / STEPS
    pressures[0] -= setting.hysteresis_pa.value if fell else 0.0
    start_kg = mass = pressures[0] * volume / (R_AIR * ambient_k)
    for before, after in pairwise(pressures):
        gained_j = volume / (GAMMA - 1) * (after - before)
        middle = 0.5 * (before + after) * volume / R_AIR
        more = gained_j / (C_P * ambient_k)
        for _ in range(ROUNDS):
            warmer_k = middle / (mass + 0.5 * more) - ambient_k
            conductance = still_w_k + per_g_s * math.pow(max(more, 0.0) / seconds * 1e3, power)
            more = (gained_j + conductance * warmer_k * seconds) / (C_P * ambient_k)
        mass += more
    shown_pa = pressures[0] * mass / start_kg - offset_pa + setting.hysteresis_pa.value
    return shown_pa, 1e3 * (mass - start_kg) / (fill.shut_s - fill.opened_s)


def rest_pressure_pa(pulse: Pulse, setting: InflowSetting, *, inflow_w_k: float, power: float) -> float:
    """The pressure at rest after a pulse, Pa as shown, if the inflow gave so much heat transfer.

    Parameters
    ----------
    pulse : Pulse
    setting : InflowSetting
    inflow_w_k, power : float
        Heat conductance a q^n: a in W/K at 1 g/s, and n.
    """
    fill = short_fill(pulse.time_s, pulse.pressure_pa, setting.response_s.value)
    rest = coming_to_rest(pulse, fill.shut_s)
    shown_pa, _ = _walked(fill, rest, pulse.fell, {"inflow_w_k": inflow_w_k, "power": power}, setting)
    return shown_pa


def inflow_heat(pulses: Sequence[Pulse], setting: InflowSetting) -> InflowHeat:
    """What an inflow adds to the heat conductance between gas and wall.

    Parameters
    ----------
    pulses : sequence of Pulse
        At least three, through a small and a large opening, from gas at rest at the walls' temperature.
    setting : InflowSetting

    Raises
    ------
    ValueError
        A pulse that was none, too few of them, or pulses that do not agree with one another.
    """
    if len(pulses) < 3:
        raise ValueError(f"{len(pulses)} pulses; at least three, through a small and a large opening, are needed")
    lag_s = setting.response_s
    filled = [short_fill(pulse.time_s, pulse.pressure_pa, lag_s.value) for pulse in pulses]
    slower = [short_fill(pulse.time_s, pulse.pressure_pa, lag_s.value + lag_s.u) for pulse in pulses]
    rests = [coming_to_rest(pulse, fill.shut_s) for pulse, fill in zip(pulses, filled, strict=True)]
    sd = np.array([_sd(fill, rest, setting) for fill, rest in zip(filled, rests, strict=True)])

    def fitted(setting: InflowSetting, fills: Sequence[ShortFill] = filled, still: float = 1.0) -> Fitted:
        measured = np.array([rest.pressure_pa for rest in rests])

        def model(q: dict[str, float], aside: bool) -> Samples:
            told = {**q, "still": still}
            each = zip(fills, rests, pulses, strict=True)
            return np.array([_walked(fill, rest, pulse.fell, told, setting)[0] for fill, rest, pulse in each])

        parameters = (
            Parameter("inflow_w_k", USUAL_W_K, 1e-3, low=0.0, high=50.0),
            Parameter("power", USUAL_POWER, 1e-3, USUAL_POWER, USUAL_POWER_U, 0.0, 2.0),
        )
        return fit(model, measured, sd, parameters, settled_at=1e-4)

    best = fitted(setting)
    a, n = best.values["inflow_w_k"], best.values["power"]
    spare = len(pulses) - 2
    widening = math.sqrt(max(float(best.residual @ best.residual) / spare, 1.0))
    if widening > MOST_WIDENING or not 0.02 < a < 49.0:
        raise ValueError(
            f"the pulses do not agree with one another (by {widening:.0f} times what they are sure to) "
            f"or with any heat transfer ({a:.2g} W/K)"
        )
    volume, offset, play = setting.volume_m3, setting.offset_pa, setting.hysteresis_pa
    aside = {
        "reservoir volume": fitted(replace(setting, volume_m3=replace(volume, value=volume.value + volume.u))),
        "transducer's response": fitted(setting, slower),
        "transducer's zero": fitted(replace(setting, offset_pa=replace(offset, value=offset.value + offset.u))),
        "transducer's hysteresis": fitted(replace(setting, hysteresis_pa=replace(play, value=play.value + play.u))),
        "heat transfer of still gas": fitted(setting, still=1.0 + STILL_U_PART),
    }
    scale = widening / best.widening  # `fit` widens for runs of residuals too, of which so few pulses say nothing
    parts = {name: abs(other.values["inflow_w_k"] - a) for name, other in aside.items()}
    power_parts = {name: abs(other.values["power"] - n) for name, other in aside.items()}
    parts["pressures before, at the end and at rest"] = best.u("inflow_w_k") * scale
    power_parts["pressures before, at the end and at rest"] = best.u("power") * scale
    flows = [
        _walked(fill, rest, pulse.fell, best.values, setting)[1]
        for fill, rest, pulse in zip(filled, rests, pulses, strict=True)
    ]
    return InflowHeat(
        a,
        math.sqrt(math.fsum(u * u for u in parts.values())),
        n,
        math.sqrt(math.fsum(u * u for u in power_parts.values())),
        _largest_first(parts),
        _largest_first(power_parts),
        widening,
        (min(flows), max(flows)),
    )


def _sd(fill: ShortFill, rest: Rest, setting: InflowSetting) -> float:
    """Standard uncertainty of one pressure at rest against what the rest of its pulse predicts, Pa."""
    warm_pa = rest.pressure_pa * WALL_U_K / setting.ambient_k
    return math.sqrt(rest.pressure_u_pa**2 + warm_pa**2 + END_SAMPLES_U**2 * fill.residual_pa**2)


def _largest_first(parts: Mapping[str, float]) -> tuple[tuple[str, float], ...]:
    return tuple(sorted(((name, u) for name, u in parts.items() if u > 0), key=lambda part: -part[1]))
