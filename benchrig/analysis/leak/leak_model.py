"""A reservoir that leaks and warms up, as the fits of a hold see it: bench, curve, and what comes out.

What a slow leak (`leak.leak_fit`) and a gross one (`leak.gross_leak`) have in common.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchrig.analysis.gas.air import CRITICAL_RATIO_NOZZLE, GAMMA, flow_function, sccm_from_pv_flow
from benchrig.analysis.gas.reservoir import USUAL_LAMINAR, Fill, FillCurve, delayed_s, fill_curve
from benchrig.analysis.leak.explanations import Explained
from benchrig.analysis.leak.goodness_of_fit import Goodness
from benchrig.analysis.leak.slow_rise import WET_ODDS, SlowRise
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import Fitted, Parameter

__all__ = [
    "ASTRAY",
    "BLOCKS",
    "LAMINAR",
    "LAMINAR_LN",
    "LAMINAR_LN_U",
    "LAMINAR_ODDS",
    "ORIFICE",
    "PORES",
    "PORES_ODDS",
    "QUESTIONED",
    "SUSPECTED",
    "LeakFit",
    "LeakModel",
    "LeakSetting",
    "cold_u",
    "recovery",
]

BLOCKS = 200
ORIFICE = (0.7, 0.25, 0.0, 1.05)
LAMINAR = (-1.0, 0.15, -1.0, -0.5)
PORES = (-2.0, 0.15, -2.0, -2.0)
"""How the leak's flow falls with the vacuum: 1 is a nozzle, 0.4 an ellipse with b = 0.2, 0 one with b = 0, -1
laminar (the flow goes with the difference of the squared pressures), -2 in proportion to the difference itself. Shape
expected, its standard uncertainty and its ends, of a leak through a hole, through a long narrow gap, and through pores
narrower than the free path of the air."""
LAMINAR_ODDS = 0.2
PORES_ODDS = 0.1
"""A long narrow gap, and pores, are so likely beforehand, over a hole (engineering judgement)."""
ASTRAY = 1.5
"""A fit whose residuals exceed the noise by more than this is tried again from elsewhere."""
ALL_OF_IT = 0.99
LAMINAR_LN, LAMINAR_LN_U = math.log(USUAL_LAMINAR) - 0.7, 1.2
"""Logarithm of the part of ambient below which a flow is proportional to its pressure difference; matters to gross
leaks."""
COLD_PART, COLD_LEAST = 0.38, 0.003
"""Gas starts colder than the wall by about this part of what pumping without any heat from the wall would cool it by
(66 K down to 41 kPa, of which 25 K), and within about this part of ambient temperature anyway."""
QUESTIONED, SUSPECTED = 0.02, 0.01
"""Look closely for a rise that saturates where the fit is so improbable, or such a rise so probable."""


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
    chill: float = 0.0
    chill_u: float | None = None
    """How much colder than the wall the gas is when it is shut off, as part of the ambient temperature; its standard
    uncertainty, None: not known."""

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


def cold_u(start: float) -> float:
    """How cold gas may be at the beginning, as part of ambient temperature, from its pressure over ambient."""
    return math.hypot(COLD_PART * (1 - min(start, 1.0) ** (1 - 1 / GAMMA)), COLD_LEAST)


def recovery(warmth: float, start: float, setting: LeakSetting) -> list[Parameter]:
    """The parameters of gas that warms up again, from a first guess of how warm it is, over ambient, at `start`."""
    known = (1.0, cold_u(start)) if setting.chill_u is None else (1 - setting.chill, setting.chill_u)
    return [
        Parameter("warmth", warmth, 1e-5, *known, low=0.6, high=1.2),
        Parameter("tau_ln", math.log(setting.tau_s), 1e-3, math.log(setting.tau_s), setting.tau_ln_u, -3.0, 4.0),
    ]


def leaking(q: dict[str, float]) -> Fill:
    """The fill of a leak; `leak` is the isothermal rise at the start over ambient pressure, 1/s."""
    # index 0.5 is the ellipse of ISO 6358-1; b = 0 with index 1 is the flow of a long narrow gap, 1 - r^2
    shape = q["shape"]
    critical_ratio, index = CRITICAL_RATIO_NOZZLE * max(shape, 0.0), 0.5 - 0.5 * max(min(shape, 0.0), -1.0)
    laminar = math.exp(q.get("laminar_ln", LAMINAR_LN))
    if shape < -1.0:  # pores: in proportion from the larger part of ambient on, at -2 from the start
        laminar = min(max(laminar, -1.0 - shape), ALL_OF_IT)
    part = float(flow_function(min(q["start"], 1.0 - laminar), critical_ratio, index))
    part = max(part * min((1.0 - q["start"]) / laminar, 1.0), 1e-3)
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
        laminar=laminar,
    )


class LeakModel:
    """Parameters to the pressures shown at given times, or on average over samples spread about them.

    `time_s` has shape (n,); `spread_s2` is the variance of the samples' times about it, s2, shape (n,) or one for all.
    """

    def __init__(self, time_s: Samples, end_s: float, setting: LeakSetting, spread_s2: Samples | float = 0.0) -> None:
        self._time_s, self._end_s, self._setting, self._half_spread_s2 = time_s, end_s, setting, 0.5 * spread_s2
        self._curve: FillCurve | None = None

    def __call__(self, q: dict[str, float], aside: bool = False) -> Samples:
        """Pressures, Pa, shape (n,); `aside`: for a small step from the parameters asked for last."""
        curve = fill_curve(leaking(q), self._end_s, like=self._curve if aside else None)
        if not aside:
            self._curve = curve
        if "shut_s" not in q:
            ratio, _, bend = curve.at(self._time_s)
            return self._setting.ambient_pa * (ratio + self._half_spread_s2 * bend)  # the mean over a block's samples
        when, _ = delayed_s(self._time_s - q["shut_s"], self._setting.response_s)
        return self._setting.ambient_pa * (1 + q["ambient"]) * curve.at(when)[0]
