"""Parameters of a fill to the pressures that a transducer shows: reservoir, opening, the valve's course, the lag.

Split from `benchrig.analysis.flow.fill_fit`, which fits it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.flow.fill_sensitivity import fill_derivatives
from benchrig.analysis.gas.air import GAMMA, R_AIR, iso_mass_flow_kg_s, lpm_anr_from_kg_s
from benchrig.analysis.gas.reservoir import Fill, FillCurve, conductance_dm3_s_bar, delayed_s, fill_curve
from benchrig.analysis.results import Samples

__all__ = ["INFLOW_BEND", "USUAL_INFLOW_W_K", "FillModel", "FillSetting", "opening_of", "timed"]

INFLOW_BEND = -0.4
"""To this power of the heat by the inflow the pressure answers in about a straight line, so it is what is fitted."""
USUAL_INFLOW_W_K = 2.0
"""What an inflow of 1 g/s usually adds to the wall's heat conductance: by a published law of jets into tanks, Nu = 0.56
Re^0.67, about 5 W/K in half a litre, by simulated benches 1.6 (from memory; engineering judgement)."""
STILL, LEAST_TOLD = 0.2, 0.05
"""Part that stands for no heat by the inflow where nothing was told, and the least part of what was (engineering
judgement)."""
MEMORY = 40.0
"""So many time constants after the opening nothing of it is left in what a transducer shows."""
_LAG_GRID = np.concatenate(
    [np.arange(0.0, 5.0, 1 / 16), np.arange(5.0, 15.0, 1 / 8), np.arange(15.0, MEMORY + 0.5, 1 / 4)]
)
"""Until then, in time constants: narrow while the opening shows."""
ABSURD = 100.0
"""A fill that goes beyond so many times ambient is none."""
_DEPARTURES = ("departure_0", "departure_1", "departure_2", "departure_3")
_BALANCE = (
    "rate",
    "critical_ratio",
    "flow_power",
    "laminar_ln",
    "start",
    "start_warmth",
    *_DEPARTURES,
)
"""Parameters of the fit that are attributes of the balance, or their logarithm."""


@dataclass(frozen=True)
class FillSetting:
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
    inflow_w_k: float
    inflow_u_w_k: float
    inflow_power: float = 0.8
    inflow_power_u: float = 0.2
    inflow_told: bool = True
    """Whether `inflow_w_k` was measured; else it is what is usual, and hardly known."""

    def heat_by_inflow(self, rate: float, inflow_w_k: float, power: float) -> float:
        """`heat_flow` of the balance, 1/s, from what an inflow of 1 g/s adds to the wall's conductance, W/K."""
        full_g_s = 1e3 * max(rate, 0.0) * self.ambient_pa * self.volume_m3 / (R_AIR * self.ambient_k)
        per_w_k = (GAMMA - 1) * self.ambient_k / (self.volume_m3 * self.ambient_pa)
        return per_w_k * inflow_w_k * math.pow(full_g_s, power)

    def untold(self) -> FillSetting:
        """The same bench, but nobody measured what an inflow adds to the heat."""
        return replace(self, inflow_w_k=USUAL_INFLOW_W_K, inflow_u_w_k=0.0, inflow_told=False)

    def inflow_of(self, part: float) -> float:
        """Heat by the inflow, W/K per g/s, from the fitted part of that told: a power of it, see `INFLOW_BEND`."""
        return self._inflow_per_part * (math.pow(part, 1 / INFLOW_BEND) - self._still)

    def inflow_by(self, part: float) -> float:
        """Derivative of `inflow_of`."""
        return self._inflow_per_part / INFLOW_BEND * math.pow(part, 1 / INFLOW_BEND - 1)

    @property
    def most_part(self) -> float:
        """The part with which the inflow adds next to nothing."""
        return math.pow(self._still or LEAST_TOLD, INFLOW_BEND)

    @property
    def _still(self) -> float:
        """Where nothing was told the inflow may add nothing at all, and that must not lie infinitely far away."""
        return 0.0 if self.inflow_told else STILL

    @property
    def _inflow_per_part(self) -> float:
        return self.inflow_w_k / (1 - self._still)

    def conductance(self, rate: float) -> float:
        """C in dm3/(s bar) from the isothermal filling rate, 1/s."""
        return conductance_dm3_s_bar(rate, self.volume_m3, self.ambient_k)

    def choked_lpm(self, rate: float) -> float:
        """Choked flow from ambient, L/min ANR, from the isothermal filling rate, 1/s."""
        return lpm_anr_from_kg_s(iso_mass_flow_kg_s(self.conductance(rate), 0.5, self.ambient_pa, 0.0, self.ambient_k))

    def rated_lpm(self, q: Mapping[str, float]) -> float:
        """Flow at the rated vacuum, L/min ANR, of the opening with these fitted parameters."""
        part = opening_of(q).shape(1 - self.rated_vacuum_pa / self.ambient_pa)
        return self.choked_lpm(q["rate"]) * part


def opening_of(q: Mapping[str, float], heat: float = 0.0, heat_flow: float = 0.0) -> Fill:
    """What is filled through what, from fitted parameters; those that are not among them are as usual."""
    return Fill(
        q["rate"],
        q["critical_ratio"],
        heat,
        heat_flow,
        q.get("start", 0.5),
        q.get("start_warmth", 1.0),
        laminar=math.exp(q.get("laminar_ln", -7.0)),
        flow_power=q.get("flow_power", 1.0),
        index=q.get("index", 0.5),
        departure=tuple(q[name] for name in _DEPARTURES) if "departure_0" in q else (),
    )


def timed(q: Mapping[str, float]) -> Mapping[str, float]:
    """The parameters with `opened_s` and `travel_s`, whichever way the timing was told.

    >>> {name: round(value, 4) for name, value in timed({"middle_s": 0.012, "travel_s2": 16e-6}).items()}
    {'middle_s': 0.012, 'travel_s2': 0.0, 'opened_s': 0.01, 'travel_s': 0.004}
    """
    if "middle_s" not in q:
        return q
    travel_s = math.sqrt(max(q["travel_s2"], 0.0))
    return {**q, "opened_s": q["middle_s"] - travel_s / 2, "travel_s": travel_s}


class FillModel:
    """Parameters to the pressures shown at given times; keeps the curve while only the timing changes.

    Beside those of a fill and its timing (`opened_s`, `travel_s`; or ``middle_s``, when it is half open, and
    ``travel_s2``, the travel squared, to which the pressure answers in a straight line from nothing on) it knows, if
    they are given: ``later_s`` and ``early_part``, a valve that opens to this part first and the rest so much later;
    ``gathers_speed``, the part of an opening that grows with the square of time over its travel, the rest evenly;
    ``response_s``, the transducer's time constant, or ``response_part``, as part of that told; ``tap``, what flow
    squared takes from the pressure shown, at full flow, as part of ambient. With `lag_exact` the transducer's equation
    is solved while it still shows the opening, for fills so quick that two orders of its time constant do not do.
    """

    def __init__(self, time_s: Samples, setting: FillSetting, lag_exact: bool = False) -> None:
        self._time_s = time_s
        self._setting = setting
        self._lag_exact = lag_exact
        self._end_s = float(time_s[-1] - min(0.0, time_s[0]))
        self._fill: Fill | None = None
        self._planned_for: Fill | None = None
        self._about: float | None = None
        self._curve: FillCurve | None = None

    def __call__(self, q: Mapping[str, float], aside: bool = False) -> Samples:
        """Pressure shown, Pa, shape (n,)."""
        q = timed(q)
        fill = self._fill_of(q)
        curve = self._curve_of(fill, aside)
        if curve is None:
            return np.full(len(self._time_s), np.nan)
        response_s = self._response_s(q)
        since_s = self._time_s - q["opened_s"]
        scale_pa = self._setting.ambient_pa * (1 + q["ambient"])
        when = self._when(q, since_s, response_s)
        ratio, slope, bend = curve.at(when)
        ratio = ratio + _warming(fill, since_s - response_s)
        # the delayed time has the first order of the smoothing; this is what is left of the second
        smoothed = ratio + 0.5 * response_s**2 * np.where(when > 3 * response_s, bend, 0.0)
        if response_s > 0 and (self._lag_exact or "response_s" in q):
            lately = (since_s > 0) & (since_s < MEMORY * response_s)
            grid_s = _LAG_GRID * response_s
            shown = _lagging(_LAG_GRID, curve.at(self._when(q, grid_s, 0.0))[0])
            smoothed[lately] = np.interp(since_s[lately], grid_s, shown)
        if "tap" in q:
            flowing = np.maximum(slope / (GAMMA * q["rate"]), 0.0)
            smoothed = smoothed - q["tap"] * flowing * flowing
        return scale_pa * smoothed

    def straighten(self, about: float | None) -> None:
        """From now on the flow follows the critical ratio along its tangent about this one; None: along the curve."""
        self._about = about

    def derivatives(self, q: Mapping[str, float]) -> Mapping[str, Samples]:
        """Derivatives of what is shown by those parameters that the balance has, Pa; none where they are not known.

        With a transducer that may be slow they are those of the delayed curve: near enough for a search.
        """
        q = timed(q)
        fill = self._fill_of(q)
        curve = self._curve_of(fill, aside=False)
        if curve is None or "index" in q:
            return {}
        names = [name for name in _BALANCE if name in q]
        parts = ["heat", "heat_flow", *names]
        called = {"laminar_ln": "laminar"} | ({} if self._about is None else {"critical_ratio": "tangent"})
        found = fill_derivatives(fill, curve, [called.get(name, name) for name in parts])
        when = self._when(q, self._time_s - q["opened_s"], self._response_s(q))
        value, slope = found.at(when)
        scale_pa = self._setting.ambient_pa * (1 + q["ambient"])
        if "tap" in q:
            flowing = np.maximum(curve.at(when)[1] / (GAMMA * q["rate"]), 0.0)
            value = value - 2 * q["tap"] * flowing[:, None] * slope / (GAMMA * q["rate"])
        columns = dict(zip(parts, (scale_pa * value).T, strict=True))
        by_heat, by_flow = columns.pop("heat"), columns.pop("heat_flow")
        if "ambient" in q:
            columns["ambient"] = self(q) / (1 + q["ambient"])
        columns["tau_ln"] = -fill.heat * by_heat
        columns["laminar_ln"] = fill.laminar * columns["laminar_ln"]
        columns["start"] = columns["start"] + fill.heat / fill.start * by_heat
        columns["start_warmth"] = columns["start_warmth"] - fill.heat / fill.start_warmth * by_heat
        if "tap" in q:
            columns["rate"] = columns["rate"] + 2 * scale_pa * q["tap"] * flowing * flowing / q["rate"]
        if "inflow_part" in q:
            told = (q["rate"], self._setting.inflow_of(q["inflow_part"]), q["flow_power"])
            by_part = self._setting.inflow_by(q["inflow_part"])
            columns["inflow_part"] = self._setting.heat_by_inflow(q["rate"], by_part, q["flow_power"]) * by_flow
            columns["rate"] = columns["rate"] + q["flow_power"] * fill.heat_flow / q["rate"] * by_flow
            raised = self._setting.heat_by_inflow(told[0], told[1], told[2] + 1e-4)
            columns["flow_power"] = columns["flow_power"] + (raised - fill.heat_flow) / 1e-4 * by_flow
        before = self._time_s < q["opened_s"]
        if before.any():
            # the gas that still warms: see `_warming`
            since_s = self._time_s - q["opened_s"] - self._response_s(q)
            pa = scale_pa * _warming(fill, since_s)
            beside = _warming(replace(fill, start_warmth=fill.start_warmth + 1e-4), since_s)
            columns["start_warmth"] = columns["start_warmth"] + (scale_pa * beside - pa) / 1e-4
        return columns

    def _fill_of(self, q: Mapping[str, float]) -> Fill:
        heat = q["start"] / q["start_warmth"] / math.exp(q["tau_ln"])
        heat_flow = 0.0
        if "inflow_part" in q:
            inflow_w_k = self._setting.inflow_of(q["inflow_part"])
            heat_flow = self._setting.heat_by_inflow(q["rate"], inflow_w_k, q["flow_power"])
        fill = opening_of(q, heat, heat_flow)
        if self._about is None:
            return fill
        return replace(fill, critical_ratio=self._about, tangent=fill.critical_ratio - self._about)

    def _curve_of(self, fill: Fill, aside: bool) -> FillCurve | None:
        curve = self._curve
        if curve is None or self._fill is None or fill != self._fill:
            keep = aside or (self._planned_for is not None and fill.resembles(self._planned_for))
            try:
                curve = fill_curve(fill, self._end_s, like=curve if keep else None)
            except (OverflowError, ZeroDivisionError, ValueError):
                return None
            if not np.all(np.abs(curve.ratio) < ABSURD):
                # a step of the search far beyond anything: no number, so that the search turns back
                return None
            if not keep:
                self._planned_for = fill
        if not aside:
            self._fill, self._curve = fill, curve
        return curve

    def _response_s(self, q: Mapping[str, float]) -> float:
        return max(q.get("response_s", self._setting.response_s) * q.get("response_part", 1.0), 0.0)

    def _when(self, q: Mapping[str, float], since_s: Samples, response_s: float) -> Samples:
        """Time at which an undisturbed fill shows what is shown; see `delayed_s`."""
        gathers = q.get("gathers_speed", 0.0)
        when = delayed_s(since_s, response_s, q["travel_s"])[0]
        if gathers:
            when = (1 - gathers) * when + gathers * _gathering_speed(since_s, response_s, q["travel_s"])
        if "early_part" in q:
            # the fill runs on the integral of the opening: exact but for the heat exchanged meanwhile
            rest, _ = delayed_s(since_s - q["later_s"], response_s, q["travel_s"])
            when = q["early_part"] * when + (1 - q["early_part"]) * rest
        return when


def _gathering_speed(since_s: Samples, response_s: float, travel_s: float) -> Samples:
    """As `delayed_s`, for a valve whose opening grows with the square of time: an armature that gathers speed."""
    if travel_s < 1e-5:
        return delayed_s(since_s, response_s)[0]
    lag_s = max(response_s, 1e-6)

    def moments(t: Samples) -> tuple[Samples, Samples]:
        t = np.maximum(t, 0.0)
        decayed = -np.expm1(-t / lag_s)
        straight = t * t / 2 - lag_s * t + lag_s**2 * decayed
        return straight, t**3 / 3 - lag_s * t * t + 2 * lag_s**2 * (t - lag_s * decayed)

    _, bent = moments(since_s)
    later_straight, later_bent = moments(since_s - travel_s)
    return np.asarray((bent - later_bent - 2 * travel_s * later_straight) / travel_s**2, dtype=np.float64)


def _warming(fill: Fill, since_s: Samples) -> Samples:
    """Pressure before the opening less that at it, over ambient: gas that is still colder than the walls warms up."""
    if fill.start_warmth == 1.0:
        return np.zeros(len(since_s))
    mass = fill.start / fill.start_warmth
    later_s = np.minimum(since_s, 0.0) * fill.heat / mass
    return np.asarray(mass * (fill.start_warmth - 1) * np.expm1(np.minimum(-later_s, 5.0)), dtype=np.float64)


def _lagging(grid: Samples, true: Samples) -> Samples:
    """What a transducer shows that follows with one unit of the grid's time: its equation solved, straight pieces."""
    x = np.diff(grid)
    kept = np.exp(-x)
    near = 1 - (1 - kept) / x
    driven = near * true[1:] + (1 - kept - near) * true[:-1]
    now = float(true[0])
    shown = [now]
    for keep, drive in zip(kept.tolist(), driven.tolist(), strict=True):
        now = keep * now + drive
        shown.append(now)
    return np.array(shown)
